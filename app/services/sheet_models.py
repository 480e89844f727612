"""From a loaded round to the frozen models of its sheets. Names go in only once the round is opened."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from sqlmodel import Session

from app.db.models import Candidate, Piece, Take
from app.domain.errors import WrongState
from app.domain.findings import Findings
from app.domain.panel import ALL_PIECES, Yardstick
from app.judging.yardsticks import MEASURE_WORDS, yardstick_points, yardsticks_in_force
from app.material.instruments import INSTRUMENTS, is_fixed_pitch
from app.services import measuring, past_rounds, sight_sheets
from app.services.piece_reading import has_notation
from app.services.printed_music import engraving_for_print, is_short_form
from app.services.printed_round import PrintedRound, columns, findings_of, heard_by, own_totals, reading_of
from app.sheets import cautions
from app.sheets.findings_in_words import chosen, doubt_sentence, findings_in_words, why_no_findings
from app.sheets.models import (
    CaptionRow,
    CommentSheetModel,
    Exercise,
    Finding,
    MarksBlock,
    OverallRow,
    Paper,
    PartOnSheet,
    RemarkLine,
    ScoreSheetModel,
    StandingLine,
)
from app.sheets.part_marks import part_marks
from app.sheets.practice import first_three, practice_plan
from app.sheets.progress import progress_sentences
from app.sheets.sound_trace import sound_trace
from app.sheets.untyped_in_words import NOT_JUDGED, untyped_in_words, untyped_practice
from app.sheets.untyped_in_words import caption as heard_caption
from app.sheets.untyped_in_words import heading as heard_heading
from app.sheets.wording import Style, and_list, is_unpitched, page_bottom_line, span_text, tempo_text

MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
NOTHING_TYPED = (
    "No piece of this round has notation here, so there are no measured marks: the adjudicators' marks alone count."
)
SEALED = "Comment sheets carry names: open the round first, then print them."
MOST_SIGNED = 24  # adjudicators who sign on one page; a larger panel doesn't sit around one table. Our choice
MOST_FINDINGS = 3  # sentences for one piece on a comment sheet; our choice
MOST_HEARD_FINDINGS = 4  # without notation nothing else is on the sheet of it; our choice
MOST_SCALE_FINDINGS = 1  # for a scale in short form; our choice


def score_sheet_model(loaded: PrintedRound, *, named: bool) -> ScoreSheetModel:
    """The ranked result. ``named`` False, or a sealed round, gives numbers only."""
    shown, audition, row = loaded.shown, loaded.audition, loaded.row
    rubric = loaded.marks.rubric
    panel = loaded.marks.table.adjudicators
    named = named and loaded.is_opened
    frozen = shown["rows"]
    letters = columns(loaded)
    lines = [_line(loaded, line, named, rubric.keys, letters) for line in frozen]
    ranked = {line["candidate_id"] for line in frozen}
    lines += [
        StandingLine(
            place="—",
            blind_number=c.blind_number,
            name=loaded.names.get(c.id) if named else None,
            total=None,
            captions=(None,) * len(rubric.keys),
            adjudicators=(None,) * len(letters),
            note=_state_words(c),
        )
        for c in loaded.candidates
        if c.id not in ranked
    ]
    agreement = shown["agreement"].get("sentence", "") if shown["agreement"] else ""
    sentences = tuple(s for s in shown["sentences"] if s != agreement)
    return ScoreSheetModel(
        audition=audition.name,
        organisation=audition.organisation,
        held_on=date_text(audition.held_on),
        round_name=row.name,
        opened=f"opened {moment_text(row.opened_at)}" if row.opened_at is not None else None,
        lines=tuple(lines),
        caption_names=tuple(c.name for c in rubric.captions),
        letters=letters,
        seats=shown["seats"],
        brackets=tuple(tuple(b) for b in shown["brackets"]),
        rule_sentence=shown["rule_sentence"],
        agreement_sentence=agreement,
        sentences=sentences,
        questions=tuple(q["sentence"] for q in shown["questions"]),
        missing=tuple(shown["missing"]),
        yardsticks=_yardsticks(loaded),
        seed=row.seed,
        seed_commitment=row.seed_commitment,
        rule_hash=audition.rule_hash,
        standing_hash=row.standing_hash,
        audit_hash=loaded.opened_hash,
        signatures=(*(f"Adjudicator {a.letter}" for a in panel if len(panel) <= MOST_SIGNED), "Section leader"),
        cautions=cautions.SCORE_SHEET,
        paper=paper_of(audition.paper),
        language=language_of(audition.note_names),
    )


def comment_sheet_model(
    session: Session, loaded: PrintedRound, candidate_id: str, *, detail: bool = False
) -> CommentSheetModel:
    """One student's sheet; raises ``WrongState`` while the round is sealed or when the candidate was not heard."""
    if not loaded.is_opened:
        raise WrongState(SEALED)
    candidate = next((c for c in loaded.candidates if c.id == candidate_id), None)
    if candidate is None:
        raise WrongState("This candidate is not in this round; reload the page.")
    audition, rubric = loaded.audition, loaded.marks.rubric
    parts: list[PartOnSheet] = []
    plans: list[tuple[Exercise, ...]] = []
    for row in loaded.pieces:
        part, plan = _part(session, loaded, candidate, row)
        parts.append(part)
        plans.append(plan)
    practice = first_three(tuple(plans))
    measured = any(part.marks is not None or part.trace is not None for part in parts)
    row_of = next((r for r in loaded.shown["rows"] if r["candidate_id"] == candidate_id), None)
    captions = row_of["captions"] if row_of is not None else {}
    return CommentSheetModel(
        audition=audition.name,
        organisation=audition.organisation,
        held_on=date_text(audition.held_on),
        round_name=loaded.row.name,
        blind_number=candidate.blind_number,
        student=loaded.names.get(candidate_id, f"Number {candidate.blind_number}"),
        instrument=instrument_name(candidate.instrument),
        letters=tuple(a.letter for a in heard_by(loaded, candidate_id)),
        blocks=_blocks(loaded, candidate),
        overall=tuple(
            OverallRow(c.name, merged := captions.get(c.key), c.descriptor(merged) if merged is not None else "")
            for c in rubric.captions
        ),
        merged_total=row_of["mark"] if row_of is not None else None,
        scale_low=rubric.low,
        scale_high=rubric.high,
        notes=_notes(loaded, candidate),
        remarks=_remarks(loaded, candidate),
        parts=tuple(parts),
        practice=practice,
        why_no_practice=None if measured else "No take was measured, so the remarks below are the plan.",
        progress=_progress(session, loaded, candidate),
        cautions=cautions.COMMENT_SHEET,
        paper=paper_of(audition.paper),
        detail=detail,
        language=language_of(audition.note_names),
    )


def _progress(session: Session, loaded: PrintedRound, candidate: Candidate) -> tuple[str, ...]:
    """The measures of this round beside those of the student's round before it; of the same pieces if there are any."""
    past = past_rounds.before(session, candidate)
    if past is None:
        return ()
    now = past_rounds.measured_takes(session, candidate.id)
    same = [key for key in now if key in past.takes]
    day = date_text(past.audition.held_on)
    elsewhere = past.audition.id != loaded.audition.id
    since = f"{past.round.name} of {past.audition.name}, {day}" if elsewhere else f"{past.round.name}, {day}"
    return progress_sentences(
        [now[key] for key in same] if same else list(now.values()),
        [past.takes[key] for key in same] if same else list(past.takes.values()),
        since=since,
        same_pieces=bool(same),
        can_be_tuned=not is_fixed_pitch(candidate.instrument),
    )


def date_text(day: date) -> str:
    """ "14 November 2026"."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def moment_text(moment: datetime) -> str:
    """ "14 November 2026, 16:40 UTC"."""
    return f"{date_text(moment.date())}, {moment:%H:%M} UTC"


def instrument_name(key: str) -> str:
    """An instrument's name in the middle of a sentence."""
    played = INSTRUMENTS.get(key)
    name = played.name if played is not None else key.replace("-", " ")
    return name[:1].lower() + name[1:]


def _line(
    loaded: PrintedRound, row: Mapping[str, Any], named: bool, captions: tuple[str, ...], letters: tuple[str, ...]
) -> StandingLine:
    place = row["place"]
    return StandingLine(
        place="—" if place is None else f"{place}=" if row["tied"] else str(place),
        blind_number=row["blind_number"],
        name=loaded.names.get(row["candidate_id"]) if named else None,
        total=row["total"],
        captions=tuple(row["captions"].get(key) for key in captions),
        adjudicators=own_totals(loaded, row["candidate_id"], letters),
        place_value=place,
        place_low=row["place_low"],
        place_high=row["place_high"],
        chance_of_seat=row["chance_of_seat"],
        seated=row["seat"] == "seat",
        note=row["why_unplaced"] or "",
    )


def _state_words(candidate: Candidate) -> str:
    words = {"no-show": "did not show", "withdrawn": "withdrawn", "absent": "absent"}
    return words.get(candidate.state, "not heard")


def _yardsticks(loaded: PrintedRound) -> tuple[str, ...]:
    """The yardsticks whose measured mark has a share in the result, as sentences."""
    rubric, rule = loaded.marks.rubric, loaded.marks.rule
    in_force = yardsticks_in_force((rubric.low, rubric.high), rule.yardsticks)
    counting = [key for key in rubric.keys if rule.measured_weights.get(key, 0.0) > 0 and key in in_force]
    typed = any(has_notation(piece) for piece in loaded.pieces)
    if counting and not typed and loaded.row.carried_from is None:
        return (NOTHING_TYPED,)
    return tuple(_yardstick_text(rubric.name(key), in_force[key]) for key in counting)


def _yardstick_text(caption: str, ruler: Yardstick) -> str:
    words = MEASURE_WORDS.get(ruler.measure, ruler.measure)
    return f"Measured mark for {caption.lower()}: {words}; {yardstick_points(ruler)} (source: {ruler.source})."


def _blocks(loaded: PrintedRound, candidate: Candidate) -> tuple[MarksBlock, ...]:
    table, rubric, rule = loaded.marks.table, loaded.marks.rubric, loaded.marks.rule
    measured = {t.piece_id: t for t in loaded.marks.measured if t.candidate_id == candidate.id}
    total = sum(rule.piece_weights.get(piece_id, 0.0) for piece_id in table.piece_ids)  # a round may hear some only
    blocks = []
    for piece_id in table.piece_ids:
        rows = []
        for caption in rubric.captions:
            marks = tuple(
                _mark(loaded, candidate.id, a.adjudicator_id, piece_id, caption.key)
                for a in heard_by(loaded, candidate.id)
            )
            found = measured[piece_id].marks.get(caption.key) if piece_id in measured else None
            counts = rule.measured_weights.get(caption.key, 0.0) > 0
            merged = loaded.merged.get((candidate.id, piece_id, caption.key))
            rows.append(
                CaptionRow(
                    name=caption.name,
                    marks=marks,
                    measured=found.mark if found is not None and counts else None,
                    merged=merged,
                    earned=caption.descriptor(merged) if merged is not None else "",
                )
            )
        title = loaded.marks.piece_titles.get(piece_id, "")
        weight = rule.piece_weights.get(piece_id)
        if weight is not None and total > 0 and len(table.piece_ids) > 1:
            title += f" ({weight / total * 100:.0f} %)"
        blocks.append(MarksBlock("" if piece_id == ALL_PIECES else title, tuple(rows)))
    return tuple(blocks)


def _mark(loaded: PrintedRound, candidate_id: str, adjudicator_id: str, piece_id: str, caption: str) -> float | None:
    cell = (candidate_id, adjudicator_id)
    version = loaded.versions.get(cell)
    if version is None or cell in loaded.recused:
        return None
    mark = version.marks.get(piece_id, {}).get(caption)
    return None if mark is None else float(mark)


def _notes(loaded: PrintedRound, candidate: Candidate) -> tuple[str, ...]:
    recused, silent = [], []
    own = heard_by(loaded, candidate.id)
    for a in own:
        cell = (candidate.id, a.adjudicator_id)
        if cell in loaded.recused:
            recused.append(a.letter)
        elif cell not in loaded.versions:
            silent.append(a.letter)
    notes = []
    panel = len(loaded.marks.table.adjudicators)
    if len(own) < panel:
        notes.append(
            f"You were heard by {len(own)} of {panel} adjudicators, assigned by lot so that loads are even; how "
            "strict each of them is was taken out."
        )
    if recused:
        notes.append(
            f"{and_list(recused)} did not score you (recused): a missing mark is left out, it never counts as zero."
        )
    if silent:
        notes.append(f"No sheet came from {and_list(silent)}.")
    measured = [take.marks for take in loaded.marks.measured if take.candidate_id == candidate.id]
    share = [
        f"{weight * 100:g} % of {loaded.marks.rubric.name(key).lower()}"
        for key, weight in loaded.marks.rule.measured_weights.items()
        if weight > 0 and any(key in marks and marks[key].mark is not None for marks in measured)
    ]
    if share:
        notes.append(f"Measured: worked out from the recording; it counts {and_list(share)}.")
    notes.append("Merged: everything put together by the rule that was declared before the audition.")
    return tuple(notes)


def _remarks(loaded: PrintedRound, candidate: Candidate) -> tuple[RemarkLine, ...]:
    """Remarks by piece and bar, those about the whole last."""
    titles = {p.id: p.title for p in loaded.pieces}
    order = {p.id: i for i, p in enumerate(loaded.pieces)}
    found: list[tuple[tuple[float, float, str], RemarkLine]] = []
    for a in loaded.marks.table.adjudicators:
        version = loaded.versions.get((candidate.id, a.adjudicator_id))
        for remark in version.remarks if version is not None else ():
            piece_id, bar = remark.get("piece_id"), remark.get("bar")
            digits = "".join(c for c in str(bar or "") if c.isdigit())
            key = (float(order.get(piece_id, len(order))), float(digits) if digits else 1e9, a.letter)
            line = RemarkLine(a.letter, remark["text"], titles.get(piece_id or "", ""), bar)
            found.append((key, line))
    return tuple(line for _, line in sorted(found, key=lambda item: item[0]))


def _part(
    session: Session, loaded: PrintedRound, candidate: Candidate, row: Piece
) -> tuple[PartOnSheet, tuple[Exercise, ...]]:
    """One piece on the sheet with its findings, and the exercises they call for."""
    short = is_short_form(row)
    read = sight_sheets.as_read(session, row, candidate.id)
    sealed = read is row and row.kind == sight_sheets.KIND  # nobody read its own notes, so they are not printed
    reading = None if sealed else reading_of(read, candidate.instrument)
    engraving = None if sealed else loaded.engravings.get(row.id) if read is row else engraving_for_print(read)
    bottom = page_bottom_line(reading, engraving) if reading is not None and engraving is not None else None
    style = Style(loaded.audition.note_names, bottom)
    take = loaded.takes.get((candidate.id, row.id))
    findings = findings_of(session, take) if take is not None else None
    heading = ""
    if reading is not None:
        numbers = [bar.number for bar in reading.bars]
        tempo = "" if reading.tempo_assumed else f" · {tempo_text(reading.tempo_marks[0], style.note_names)}"
        heading = span_text(numbers[0], numbers[-1]) + tempo
    if reading is None and not sealed and findings is not None and findings.usable and not findings.notated:
        return _heard_part(row, candidate.instrument or row.instrument, findings, style)
    if reading is None or findings is None or not findings.usable or not findings.notated:
        why = "no take was kept." if take is None else _not_measured(session, take)
        if sealed:
            why = "its notes stayed sealed: no study time was begun."
        elif findings is not None and not findings.usable:
            why = why_no_findings(findings)
        return PartOnSheet(row.title, heading, None if short else engraving, None, why_no_findings=why, short=short), ()
    plan = tuple(
        Exercise(e.kind, e.title, e.where, e.text, e.weight, row.title) for e in practice_plan(reading, findings, style)
    )
    words = findings_in_words(reading, findings, style)
    part = PartOnSheet(
        title=row.title,
        heading=heading,
        engraving=engraving,
        marks=part_marks(reading, findings, style),
        findings=chosen(words, MOST_SCALE_FINDINGS if short else MOST_FINDINGS),
        caption=_caption(
            style,
            reading_has_repeats=any(b.pass_number > 1 for b in reading.bars),
            short=short,
            unpitched=is_unpitched(reading),
            doubt=doubt_sentence(findings),
        ),
        short=short,
    )
    return part, plan


def _not_measured(session: Session, take: Take) -> str:
    if measuring.states(session, [take.id])[take.id].state == "failed":
        return "this take could not be measured; your section leader sees why."
    return "this take is not measured yet."


def _heard_part(
    row: Piece, instrument: str, findings: Findings, style: Style
) -> tuple[PartOnSheet, tuple[Exercise, ...]]:
    """A piece that nobody typed in: what the sound alone shows."""
    said = chosen(untyped_in_words(findings, instrument, style), MOST_HEARD_FINDINGS)
    part = PartOnSheet(
        title=row.title,
        heading=heard_heading(findings),
        engraving=None,
        marks=None,
        findings=(Finding("notes", NOT_JUDGED), *said),
        caption=heard_caption(findings, style),
        trace=sound_trace(findings),
    )
    plan = untyped_practice(findings, instrument)
    return part, tuple(replace(exercise, piece_title=row.title) for exercise in plan)


def _caption(style: Style, *, reading_has_repeats: bool, short: bool, unpitched: bool, doubt: str) -> str:
    """How to read the lanes."""
    step = "semitone" if style.note_names == "british" else "half step"
    text = f"Pitch: above the line sharp, below flat, in cents (hundredths of a {step}) where it is worth a look."
    if unpitched:
        text = "Unpitched: × a stroke left out."
    if not short:
        text += (
            " Time: left of the note's own line early, right late, in ms (thousandths of a second). Level: loudness;"
            " ▼ the loudest note of a phrase, ▽ the peak the leader marked."
        )
    if doubt:
        text += f" {doubt}"
    if reading_has_repeats:
        text += " Of repeated bars the first time through is shown."
    return text


def paper_of(paper: str) -> Paper:
    """The paper an audition prints on."""
    return "a4" if paper == "a4" else "letter"


def language_of(note_names: str) -> str:
    """The language a sheet is written in, as its note names say."""
    return "en-GB" if note_names == "british" else "en-US"
