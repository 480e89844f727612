"""Sheets kept and drawn again: equal models, equal bytes, damage noticed."""

import json
import zlib

import pytest
import sheet_examples

from app.domain.errors import WrongState
from app.sheets import comment_sheet, freezing, score_sheet
from app.sheets.models import CommentSheetModel, model_hash


def test_a_comment_sheet_thaws_equal_and_draws_the_same_bytes(comment: CommentSheetModel) -> None:
    kept = freezing.freeze(comment)
    music = {d: freezing.thaw_music(freezing.freeze_music(e)) for d, e in freezing.music_of(comment).items()}
    assert set(freezing.music_digests(kept)) == set(music)
    thawed = freezing.thaw(kept, music)
    assert thawed == comment
    assert model_hash(thawed) == model_hash(comment)
    assert isinstance(thawed, CommentSheetModel)
    assert comment_sheet.render(thawed) == comment_sheet.render(comment)


@pytest.mark.parametrize("named", [True, False])
def test_a_score_sheet_thaws_equal(named: bool) -> None:
    model = sheet_examples.score_sheet(9, named=named)
    thawed = freezing.thaw(freezing.freeze(model), {})
    assert thawed == model
    assert score_sheet.render(thawed) == score_sheet.render(model)  # type: ignore[arg-type]


def test_a_field_that_came_later_takes_its_default(comment: CommentSheetModel) -> None:
    plain = json.loads(zlib.decompress(freezing.freeze(comment)))
    del plain["progress"]
    plain["of_another_time"] = 1
    older = zlib.compress(json.dumps(plain).encode())
    thawed = freezing.thaw(older, freezing.music_of(comment))
    assert isinstance(thawed, CommentSheetModel)
    assert thawed.progress == ()
    assert thawed.remarks == comment.remarks


def test_damage_is_said(comment: CommentSheetModel) -> None:
    kept, music = freezing.freeze(comment), freezing.music_of(comment)
    for damaged in (kept[:-9], b"", zlib.compress(b"[]"), zlib.compress(b'{"sheet": "Another"}')):
        with pytest.raises(WrongState, match="damaged"):
            freezing.thaw(damaged, music)
    with pytest.raises(WrongState, match="damaged"):
        freezing.thaw(kept, {})
    with pytest.raises(WrongState, match="damaged"):
        freezing.thaw_music(b"x")
