"""Sheets kept as they were drawn: a model and its engraved music as bytes, and back again, equal to the last bit.

Kept bytes are compressed canonical JSON. Figures survive unchanged (shortest form that reads back equal), and music is
kept as the shapes that were drawn, so neither a newer engraver nor changed data can move ink on a sheet that was
handed out. A field that a later version adds takes its default when an older model is thawed.
"""

import dataclasses
import functools
import json
import types
import typing
import zlib
from collections.abc import Callable, Mapping
from typing import Any, Literal, TypeVar, Union

from app.domain.engraving import Engraving
from app.domain.errors import WrongState
from app.sheets.models import CommentSheetModel, ScoreSheetModel, model_to_dict

SheetModel = CommentSheetModel | ScoreSheetModel
T = TypeVar("T")
LEVEL = 6  # of compression; our choice: a sheet's music shrinks to a fifth in milliseconds

_SHEETS: dict[str, Callable[..., SheetModel]] = {c.__name__: c for c in (CommentSheetModel, ScoreSheetModel)}


def freeze(model: SheetModel) -> bytes:
    """The model as kept; its music is named by digest and kept beside it (:func:`freeze_music`)."""
    return _packed(model_to_dict(model))


def music_of(model: SheetModel) -> dict[str, Engraving]:
    """The engraved music on a sheet by its digest."""
    parts = model.parts if isinstance(model, CommentSheetModel) else ()
    return {p.engraving.digest: p.engraving for p in parts if p.engraving is not None}


def freeze_music(engraving: Engraving) -> bytes:
    """Engraved music as kept."""
    return _packed(dataclasses.asdict(engraving))


def thaw_music(kept: bytes) -> Engraving:
    """Engraved music from its kept bytes; raises ``WrongState`` when they are damaged."""
    return _thaw(Engraving, _unpacked(kept))


def music_digests(kept: bytes) -> tuple[str, ...]:
    """The digests of the music that a kept model needs."""
    parts = _unpacked(kept).get("parts", [])
    return tuple(dict.fromkeys(p["engraving"]["engraving"] for p in parts if p["engraving"] is not None))


def thaw(kept: bytes, music: Mapping[str, Engraving]) -> SheetModel:
    """The model from its kept bytes and its music; raises ``WrongState`` when either is damaged or missing."""
    plain = _unpacked(kept)
    sheet = _SHEETS.get(plain.pop("sheet", ""))
    if sheet is None:
        raise _damaged()
    try:
        for part in plain.get("parts", []):
            named = part["engraving"]
            part["engraving"] = None if named is None else music[named["engraving"]]
        return _thaw(sheet, plain)
    except (KeyError, TypeError, ValueError) as error:
        raise _damaged() from error


def _damaged() -> WrongState:
    return WrongState("What was kept of this sheet is damaged; restore the last backup, or print the sheet anew.")


def _packed(plain: Mapping[str, Any]) -> bytes:
    text = json.dumps(plain, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return zlib.compress(text.encode(), LEVEL)


def _unpacked(kept: bytes) -> dict[str, Any]:
    try:
        plain = json.loads(zlib.decompress(kept))
    except (zlib.error, ValueError) as error:
        raise _damaged() from error
    if not isinstance(plain, dict):
        raise _damaged()
    return plain


def _thaw(wanted: Callable[..., T], plain: Mapping[str, Any]) -> T:
    makers = _makers(wanted)
    return wanted(**{name: makers[name](value) for name, value in plain.items() if name in makers})


@functools.cache
def _makers(wanted: Any) -> dict[str, Callable[[Any], Any]]:
    """How each field of a frozen dataclass comes back from plain JSON, by its annotation."""
    hints = typing.get_type_hints(wanted)
    return {field.name: _maker(hints[field.name]) for field in dataclasses.fields(wanted) if field.init}


def _maker(hint: Any) -> Callable[[Any], Any]:
    if hint is Engraving:
        return lambda value: value if isinstance(value, Engraving) else _thaw(Engraving, value)
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return functools.partial(_thaw, hint)
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if origin is tuple:
        if len(args) == 2 and args[1] is Ellipsis:
            one = _maker(args[0])
            return lambda value: tuple(one(v) for v in value)
        each = [_maker(a) for a in args]
        return lambda value: tuple(make(v) for make, v in zip(each, value, strict=True))
    if origin in (Union, types.UnionType):
        inner = [_maker(a) for a in args if a is not type(None)]
        if len(inner) == 1:
            return lambda value: None if value is None else inner[0](value)
        return lambda value: value  # figures and words, as in an outline's segments
    if origin is Literal or hint in (str, int, float, bool):
        return lambda value: value
    raise TypeError(f"{hint} has no place in a frozen sheet")
