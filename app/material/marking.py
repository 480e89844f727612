"""The leader's marks laid on a piece: phrases with their peaks, and the tonic of the drone."""

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from typing import Any

from app.domain.errors import BadInput
from app.domain.piece import Phrase, Piece
from app.material.pitch_names import class_name, pitch_class

MOST_PHRASES = 200  # our choice


def apply_marks(piece: Piece, leader_marks: Mapping[str, Any]) -> Piece:
    """The piece with the leader's phrases and tonic in place of guesses.

    ``leader_marks``: {"phrases": [{"start_note_id", "peak_note_id" or None, "end_note_id"}], "tonic": "D", "mode":
    "minor"}, every key optional. A phrase marked on one pass of a repeat counts on the other passes too. Phrases whose
    notes are outside the excerpt are left out with a warning.
    """
    out = piece
    if leader_marks.get("tonic"):
        out = replace(out, tonic_written=class_name(*pitch_class(str(leader_marks["tonic"]))))
    if leader_marks.get("mode"):
        out = replace(out, mode=str(leader_marks["mode"]))
    marked = leader_marks.get("phrases") or ()
    if not marked:
        return out
    phrases, lost = _phrases(out, marked)
    if lost:
        sentence = "One marked phrase lies" if lost == 1 else f"{lost} marked phrases lie"
        out = replace(out, warnings=(*out.warnings, f"{sentence} outside the bars that are heard."))
    return replace(out, phrases=phrases) if phrases else out


def check_marks(piece: Piece, leader_marks: Mapping[str, Any]) -> dict[str, Any]:
    """The leader's marks as they may be stored for this piece; :class:`BadInput` says what is wrong with them."""
    out: dict[str, Any] = {}
    if leader_marks.get("tonic"):
        out["tonic"] = class_name(*pitch_class(str(leader_marks["tonic"])))
    if leader_marks.get("mode"):
        out["mode"] = str(leader_marks["mode"])[:40]
    phrases = leader_marks.get("phrases") or []
    if not isinstance(phrases, list) or len(phrases) > MOST_PHRASES:
        raise BadInput(f"Phrases must be a list of at most {MOST_PHRASES}.")
    places = {note.note_id: i for i, note in enumerate(piece.notes)}
    checked: list[dict[str, str | None]] = []
    spans: list[tuple[int, int]] = []
    for number, one in enumerate(phrases, start=1):
        if not isinstance(one, Mapping):
            raise BadInput(f"Phrase {number} must name its first and last note.")
        start, peak, end = (str(one.get(key) or "") for key in ("start_note_id", "peak_note_id", "end_note_id"))
        for name in (start, end, *((peak,) if peak else ())):
            if name not in places:
                raise BadInput(f"Phrase {number} names a note that this piece does not have.", note_id=name)
        if not places[start] <= places[peak or start] <= places[end]:
            raise BadInput(f"The notes of phrase {number} must be in playing order: first, peak, last.")
        checked.append({"start_note_id": start, "peak_note_id": peak or None, "end_note_id": end})
        spans.append((places[start], places[end]))
    checked.sort(key=lambda one: places[str(one["start_note_id"])])
    for before, after in pairwise(sorted(spans)):
        if after[0] <= before[1]:
            raise BadInput("Two phrases overlap; end the first before the second begins.")
    if checked:
        out["phrases"] = checked
    return out


def _phrases(piece: Piece, marked: Any) -> tuple[tuple[Phrase, ...], int]:
    places = {note.note_id: i for i, note in enumerate(piece.notes)}
    passes = sorted({int(note.note_id.partition("-")[2] or 1) for note in piece.notes})
    found: dict[tuple[int, int], Phrase] = {}
    lost = 0
    for one in marked:
        names = [one["start_note_id"], one.get("peak_note_id"), one["end_note_id"]]
        hits = 0
        for number in passes:
            start, peak, end = (None if name is None else _on_pass(name, number) for name in names)
            if start in places and end in places and places[start] <= places[end]:
                hits += 1
                inside = peak if peak in places and places[start] <= places[peak] <= places[end] else None
                found.setdefault((places[start], places[end]), Phrase(start, end, inside))
        lost += not hits
    ordered = [found[key] for key in sorted(found)]
    kept: list[Phrase] = []
    for phrase in ordered:
        if not kept or places[phrase.start_note_id] > places[kept[-1].end_note_id]:
            kept.append(phrase)
    return tuple(kept), lost


def _on_pass(note_id: str, number: int) -> str:
    plain = note_id.partition("-")[0]
    return plain if number == 1 else f"{plain}-{number}"
