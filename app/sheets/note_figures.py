"""The figures of single notes in words, from the same marks that the lanes draw."""

from dataclasses import dataclass

from app.domain.findings import UNPITCHED, Findings, MeasuredNote
from app.domain.piece import Piece, PieceNote
from app.sheets import wording
from app.sheets.looks import SURE
from app.sheets.models import HeadMark, PartMarks
from app.sheets.wording import AMERICAN, Style

LEVEL_WORDS_DB = 1.0  # a note nearer to the middle level than this is neither louder nor softer; our choice


@dataclass(frozen=True, slots=True)
class NoteFigures:
    """One engraved note: where it stands and what was found, a sentence each."""

    engraved_id: str
    name: str  # "F♯ on the top line"
    bar: str
    beat: str
    sentences: tuple[str, ...]


def note_figures(
    piece: Piece, marks: PartMarks | None, findings: Findings | None, style: Style = AMERICAN
) -> tuple[NoteFigures, ...]:
    """Every engraved note of a part in the order it is first played. Doubts come from ``findings`` where they agree."""
    heads = {h.engraved_id: h for h in marks.heads} if marks is not None else {}
    measured = {m.note_id: m for m in findings.notes} if findings is not None else {}
    more = _spoken_marks(marks) if marks is not None else {}
    levels = sorted(h.level_db for h in heads.values() if h.level_db is not None)
    middle = levels[len(levels) // 2] if levels else None
    bottom = style.bottom_line(piece)
    out: dict[str, NoteFigures] = {}
    for note in piece.notes:
        if not note.engraved_ids or note.engraved_ids[0] in out:
            continue
        engraved_id = note.engraved_ids[0]
        said = _sentences(heads.get(engraved_id), measured.get(note.note_id), middle)
        name = "Stroke" if note.unpitched else wording.note_text(note.written_pitch, bottom)
        out[engraved_id] = NoteFigures(engraved_id, name, note.bar, _beat(note), (*said, *more.get(engraved_id, ())))
    return tuple(out.values())


def _beat(note: PieceNote) -> str:
    return "grace note" if note.grace else f"beat {note.beat:.2f}".rstrip("0").rstrip(".")


def _sentences(head: HeadMark | None, measured: MeasuredNote | None, middle: float | None) -> list[str]:
    if head is None:
        return ["Nothing was measured here."]
    if head.status == "omitted":
        return ["Left out."]
    if head.status == "wrong":
        return [f"Heard {head.heard} instead." if head.heard else "Another note was heard."]
    said = []
    if head.cents is not None:
        text = "In tune." if round(head.cents) == 0 else f"{wording.sharp_or_flat(head.cents).capitalize()}."
        doubt = measured.deviation_uncertainty_cents if measured is not None else None
        same = measured is not None and round(measured.deviation_cents or 0.0, 1) == head.cents
        said.append(
            f"{text[:-1]}, give or take {wording.amount(max(1.0, SURE * doubt), 'cents')}." if doubt and same else text
        )
    elif measured is not None and measured.why_no_cents not in (None, UNPITCHED):
        said.append(f"No pitch figure: {measured.why_no_cents.rstrip('.')}.")
    if head.timing_ms is not None:
        on_time = abs(head.timing_ms) < 1.0
        said.append("On time." if on_time else f"{wording.early_or_late(head.timing_ms).capitalize()}.")
    if head.level_db is not None and middle is not None:
        above = head.level_db - middle
        word = "louder" if above > 0 else "softer"
        near = abs(above) < LEVEL_WORDS_DB
        said.append("About the middle level." if near else f"{abs(above):.0f} dB {word} than the middle level.")
    return said


def _spoken_marks(marks: PartMarks) -> dict[str, list[str]]:
    """Held notes, returns, chords, landings, breaks and peaks by the note they are heard at."""
    said: dict[str, list[str]] = {}

    def add(engraved_id: str | None, sentence: str) -> None:
        if engraved_id is not None:
            said.setdefault(engraved_id, []).append(sentence)

    for held in marks.held:
        add(held.engraved_id, f"Left early: {held.text}.")
    for back in marks.returns:
        add(back.second_engraved_id, f"Came back: {back.text_alone}.")
        add(back.first_engraved_id, f"Comes back later: {back.text}.")
    for chord in marks.chords:
        add(chord.first_engraved_id, f"Chord figure {chord.text}.")
    for landing in marks.landings:
        add(landing.engraved_id, f"Landed {landing.text}.")
    for broken in marks.breaks:
        add(broken.after_engraved_id, f"After this note: {broken.text}.")
    for phrase in marks.phrases:
        add(phrase.peak_engraved_id, "The peak the leader marked for this phrase.")
        add(phrase.loudest_engraved_id, "The loudest note of its phrase.")
    return said
