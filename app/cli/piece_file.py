"""A piece named on the command line: notation, typed ABC text, or a recipe for a scale, arpeggio or chromatic run."""

import json
from pathlib import Path

from app.domain.errors import BadInput
from app.domain.piece import Piece

LARGEST_BYTES = 20 * 1024 * 1024


def read_piece_file(
    path: Path, *, instrument: str | None = None, part: str | None = None, bars: str | None = None
) -> Piece:
    """The piece in ``path``; ``bars`` is "first-last" or one bar. Raises :class:`BadInput` with one sentence."""
    data = read_bytes(path, LARGEST_BYTES)
    if not data:
        raise BadInput(f"{path.name}: the file is empty; export the piece again.")
    try:
        piece = _read(data, path, instrument, part)
    except BadInput as error:
        raise type(error)(f"{path.name}: {error.sentence}", **error.facts) from error
    if bars is None:
        return piece
    from app.material.excerpting import excerpt

    first, last = bar_range(bars)
    return excerpt(piece, first, last)


def read_bytes(path: Path, largest: int) -> bytes:
    """The bytes of a file; :class:`BadInput` when it isn't there, can't be read or is too large."""
    try:
        if path.is_dir():
            raise BadInput(f"{path} is a folder; name a file.")
        if path.stat().st_size > largest:
            raise BadInput(f"{path.name} is larger than {largest // 1024 // 1024} MB; choose the right file.")
        return path.read_bytes()
    except FileNotFoundError as error:
        raise BadInput(f"There is no file {path}; check the name.") from error
    except OSError as error:
        raise BadInput(f"{path} can't be read ({error.strerror}).") from error


def bar_range(text: str) -> tuple[str, str]:
    """First and last bar of "3-8" or "3"."""
    first, dash, last = (word.strip() for word in text.partition("-"))
    if not first or (dash and not last):
        raise BadInput(f"--bars takes a range such as 1-8 or a single bar; {text!r} can't be used.")
    return first, last or first


def _read(data: bytes, path: Path, instrument: str | None, part: str | None) -> Piece:
    head = data[:4096].lstrip(b"\xef\xbb\xbf \t\r\n")
    if head.startswith(b"{"):
        return _generated(data, instrument)
    if path.suffix.lower() == ".abc" or (head[:2] in (b"X:", b"T:", b"%a") and b"K:" in data):
        from app.files.abc_text import read_abc

        return read_abc(_text(data), instrument=instrument or "other", title=path.stem)
    from app.files.notation import read_notation

    chosen: str | int | None = int(part) if part is not None and part.isdecimal() else part
    return read_notation(data, file_name=path.name, part=chosen, instrument=instrument)


def _generated(data: bytes, instrument: str | None) -> Piece:
    from app.material.generating import generate
    from app.material.recipe import recipe_from

    try:
        values = json.loads(_text(data))
    except json.JSONDecodeError as error:
        raise BadInput(f"the recipe is no JSON (line {error.lineno}: {error.msg}).") from error
    recipe = values.get("recipe", values)
    if not isinstance(recipe, dict):
        raise BadInput("the recipe must be an object with kind, tonic, mode and so on.")
    if instrument is not None:
        recipe = {**recipe, "instrument": instrument}
    return generate(recipe_from(recipe))


def _text(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")
