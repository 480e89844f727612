"""The section report of a round: loaded from kept takes and sent sheets, put in words, drawn. No name is reached.

Every finding of the round is read for it, so a long round's is worked out once, by a worker, and kept: page and PDF.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from itertools import groupby
from typing import Any

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.models import Candidate, Take, WorkedReport
from app.domain.errors import WrongState
from app.jobs.ledger import Progress, Save
from app.judging import section
from app.judging.section import CaptionDoubt, PlayedTake, SectionBar, SectionTendency, played_take
from app.material.instruments import INSTRUMENTS, is_fixed_pitch
from app.services import declaring, long_work, measuring, standing
from app.services.long_work import Working
from app.services.rounds import get_round, is_long
from app.services.sheet_cells import round_pieces
from app.services.sheet_models import date_text
from app.services.sight_sheets import KIND
from app.sheets import cautions, section_figures
from app.sheets.section_report import SectionPart, SectionReportModel, render
from app.sheets.wording import pitch_text

WORK = "work-out-section-report"
AT_ONCE = 200  # takes whose findings are in memory; our choice: some 20 MB
NO_MEASURED_MARKS = datetime(1970, 1, 1, tzinfo=UTC)  # the report is of what adjudicators gave
NOT_WORKED_OUT = "The report of so long a round takes a while to work out; have it worked out first."
MOST_ADVICE = 3  # of each kind; our choice
#: Nobody in the section would hear less: wind students tell 7.5 cents far better than 5 (LSU dissertation 3723).
HEARD_CENTS = 5.0
NOT_MEASURED = "No take is measured yet."
NOTHING_SAID = "No take is measured yet, so nothing can be said."
FELL_SHARE = 1 / 3  # a bar in which this share of the players fell is worth a rehearsal; our choice


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing with what it says."""

    title: str
    svg: str
    sentence: str


@dataclass(frozen=True, slots=True)
class SectionView:
    """The report for the screen."""

    takes: str
    next_rehearsal: tuple[str, ...]
    pitch: tuple[Picture, ...]
    why_no_pitch: str  # empty where there is any
    pieces: tuple[Picture, ...]
    why_no_bars: str
    doubts: tuple[str, ...]
    working: Working | None = None  # of a long round


def view(session: Session, round_id: str) -> SectionView:
    """The report of a drawn round for the screen; raises ``WrongState`` before the draw."""
    row = get_round(session, round_id)
    if not is_long(session, row):
        return _view(_model(session, round_id))
    kept = session.get(WorkedReport, round_id)
    how = long_work.of_kept(session, row, WORK, kept)
    if kept is None:
        return SectionView(NOT_WORKED_OUT, (), (), "", (), "", (), how)
    pictures = {name: tuple(Picture(**one) for one in kept.content[name]) for name in ("pitch", "pieces")}
    return SectionView(**{**kept.content, **pictures, "working": how})


def ask(session: Session, round_id: str) -> Working:
    """Have a worker work out the report of a long round. Asking again while one does is harmless."""
    long_work.ask(session, round_id, WORK)
    working = view(session, round_id).working
    assert working is not None
    return working


class WorkOutReport:
    """The task of kind ``work-out-section-report``."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def __call__(self, payload: Mapping[str, Any], progress: Progress) -> Save:
        """Work out one round's report; the save replaces the one that was kept."""
        round_id = str(payload["round_id"])
        with self._database.read() as session:
            basis = long_work.basis(session, get_round(session, round_id))
            model = _model(session, round_id, progress)
        progress(0.95, "drawing")
        content = asdict(_view(model))
        del content["working"]
        pdf = render(model)

        def save(session: Session) -> None:
            kept = session.get(WorkedReport, round_id) or WorkedReport(round_id=round_id, rests_on="", pdf=b"")
            kept.content, kept.pdf = content, pdf
            long_work.note(kept, basis)
            session.add(kept)

        return save


def _view(model: SectionReportModel) -> SectionView:
    return SectionView(
        takes=model.takes,
        next_rehearsal=model.next_rehearsal,
        pitch=tuple(_pitch_picture(part) for part in model.pitch),
        why_no_pitch=model.why_no_pitch,
        pieces=tuple(_bar_picture(part) for part in model.pieces),
        why_no_bars=model.why_no_bars,
        doubts=model.doubts,
    )


def pdf(session: Session, round_id: str) -> bytes:
    """The report on paper; of a long round as it was worked out, raises ``WrongState`` until it is."""
    if not is_long(session, get_round(session, round_id)):
        return render(_model(session, round_id))
    kept = session.get(WorkedReport, round_id)
    if kept is None:
        raise WrongState(NOT_WORKED_OUT)
    return kept.pdf


def _pitch_picture(part: SectionPart) -> Picture:
    height = section_figures.tendencies_height(part.tendencies)
    svg = section_figures.as_svg(
        height, lambda canvas, x, top: section_figures.draw_tendencies(canvas, x, top, part.tendencies, part.names)
    )
    return Picture(part.title, svg, part.sentence)


def _bar_picture(part: SectionPart) -> Picture:
    height = section_figures.bars_height(part.bars)
    draw_bars = section_figures.draw_bars
    svg = section_figures.as_svg(height, lambda canvas, x, top: draw_bars(canvas, x, top, part.bars)) if height else ""
    return Picture(part.title, svg, part.sentence)


def _model(session: Session, round_id: str, progress: Progress = lambda share, text: None) -> SectionReportModel:
    row = get_round(session, round_id)
    progress(0.0, "reading sheets")
    marks = standing.round_marks(session, round_id, measured_until=NO_MEASURED_MARKS)
    audition = declaring.get_audition(session, row.audition_id)
    pieces = round_pieces(session, row)
    titles = {piece.id: piece.title for piece in pieces}
    takes = _played(session, round_id, audition.a4_hz, progress)
    # Sight-reading may differ between players: its bars are not the same bars.
    alike = [take for take in takes if take.piece_id in {piece.id for piece in pieces if piece.kind != KIND}]
    tendencies, bars = section.tendencies(takes), section.bars(alike)
    strokes = {take.piece_id for take in takes if take.is_unpitched}
    given = [(m.candidate_id, m.adjudicator_id, m.piece_id, m.caption, m.mark) for m in marks.table.marks]
    doubts = section.doubts(given)
    players = len({take.player for take in takes})
    count = "1 take" if len(takes) == 1 else f"{len(takes)} takes"
    people = "1 player" if players == 1 else f"{players} players"
    return SectionReportModel(
        audition=audition.name,
        round_name=row.name,
        held_on=date_text(audition.held_on),
        takes=f"{row.name}, from {count} by {people}. No names and no numbers stand here.",
        next_rehearsal=_advice(tendencies, bars, titles, strokes) if takes else (NOTHING_SAID,),
        pitch=tuple(
            SectionPart(
                title=_instrument(instrument),
                tendencies=(rows := tuple(group)),
                names=tuple(_pitch(one.written_pitch) for one in rows),
                sentence="Written pitches. The tick is the mean over players, the line its 95 % range; bold: the range "
                "leaves zero out.",
            )
            for instrument, group in groupby(tendencies, key=lambda one: one.instrument)
        ),
        why_no_pitch="" if tendencies else _why_no_pitch(takes),
        pieces=tuple(
            SectionPart(
                title=titles.get(piece_id, ""),
                bars=(heard := tuple(group)),
                sentence=_bars_sentence(heard, piece_id in strokes),
            )
            for piece_id, group in groupby(
                sorted(bars, key=lambda bar: list(titles).index(bar.piece_id)), key=lambda bar: bar.piece_id
            )
        ),
        why_no_bars="" if bars else _why_no_bars(takes),
        doubts=_doubts(doubts, titles, {c.key: c.name for c in marks.rubric.captions}),
        cautions=cautions.SCORE_SHEET,
        paper="a4" if audition.paper == "a4" else "letter",
        language="en-GB" if audition.note_names == "british" else "en-US",
    )


def _why_no_pitch(takes: Sequence[PlayedTake]) -> str:
    if not takes:
        return NOT_MEASURED
    if all(take.is_unpitched for take in takes):
        return "All of it is unpitched percussion: there is no pitch to compare."
    return "No pitch was heard clearly enough to compare."


def _why_no_bars(takes: Sequence[PlayedTake]) -> str:
    if not takes:
        return NOT_MEASURED
    if not any(take.is_notated for take in takes):
        return "Nobody typed the music in, so there are no bars to compare."
    return "Sight-reading differs from player to player, so there are no bars to compare."


def _own_reference_cents(findings: Mapping[str, Any], a4_hz: float) -> float:
    """How far a take without notation, which is read at its own reference, was tuned above the audition's."""
    if findings.get("notated", True):
        return 0.0
    return 1200.0 * math.log2(float(findings["a4_hz_used"]) / a4_hz)


def _played(session: Session, round_id: str, a4_hz: float, progress: Progress) -> list[PlayedTake]:
    rows = session.exec(
        select(Take.id, Take.piece_id, Candidate.id, Candidate.instrument)
        .where(Take.candidate_id == Candidate.id, Candidate.round_id == round_id, Take.state == "kept")
        .order_by(col(Candidate.playing_order), col(Take.id))
    ).all()
    out = []
    for start in range(0, len(rows), AT_ONCE):
        progress(0.1 + 0.8 * start / len(rows), f"reading findings, {start} of {len(rows)}")
        some = rows[start : start + AT_ONCE]
        newest = measuring.newest_of(session, [take_id for take_id, *_ in some])
        for take_id, piece_id, candidate_id, instrument in some:
            found = newest.get(take_id)
            if found is not None and found.payload["usable"]:
                own = _own_reference_cents(found.payload, a4_hz)
                out.append(played_take(candidate_id, instrument, piece_id, found.payload, own))
    return out


def _pitch(written: str) -> str:
    """With its octave, which tells fingerings apart: "B♭4"."""
    return pitch_text(written) + written.lstrip("ABCDEFG#b")


def _instrument(key: str) -> str:
    known = INSTRUMENTS.get(key)
    return known.name if known is not None else key


def _advice(
    tendencies: Sequence[SectionTendency],
    bars: Sequence[SectionBar],
    titles: dict[str, str],
    strokes: Collection[str],
) -> tuple[str, ...]:
    """What to rehearse, the surest first."""
    out = []
    heard = [one for one in tendencies if one.is_sure and abs(one.mean_cents) >= HEARD_CENTS]
    sure = sorted(heard, key=lambda one: -abs(one.mean_cents))
    for one in sure[:MOST_ADVICE]:
        way = "sharp" if one.mean_cents > 0 else "flat"
        do = "tune it to a drone together"
        if is_fixed_pitch(one.instrument):
            do = "that is the instrument, which nobody can tune"
        out.append(
            f"{_pitch(one.written_pitch)} of the {_instrument(one.instrument)} lies "
            f"{abs(one.mean_cents):.0f} cents {way} across {one.players} players: {do}."
        )
    hard = sorted((bar for bar in bars if bar.fell >= max(2, FELL_SHARE * bar.players)), key=lambda b: -b.fell)
    for bar in hard[:MOST_ADVICE]:
        out.append(
            f"Bar {bar.bar} of {titles.get(bar.piece_id, '')}: {bar.fell} of {bar.players} fell there "
            f"({_what(bar, bar.piece_id in strokes)}); take it slowly together."
        )
    return tuple(out) or ("Nothing stands out across the section beyond its doubt.",)


def _what(bar: SectionBar, strokes: bool) -> str:
    said = [
        (bar.wrong, "wrong notes"),
        (bar.omitted, "strokes left out" if strokes else "notes left out"),
        (bar.breaks, "a stop or a jump"),
        (bar.out_of_tune, "out of tune"),
    ]
    return ", ".join(f"{count} with {words}" for count, words in said if count)


def _bars_sentence(bars: Sequence[SectionBar], strokes: bool) -> str:
    worst = max(bars, key=lambda bar: bar.fell, default=None)
    if worst is None or not worst.fell:
        return "Nobody fell in any bar."
    fault = (
        "left a stroke out, or stopped or jumped"
        if strokes
        else "had a wrong or left-out note, a break, or a note surely more than "
        f"{section.OUT_OF_TUNE_CENTS:g} cents off"
    )
    return f"How many of {worst.players} {fault}. Most in bar {worst.bar}: {_what(worst, strokes)}."


def _doubts(found: Sequence[CaptionDoubt], titles: dict[str, str], names: dict[str, str]) -> tuple[str, ...]:
    if not found:
        return ("Fewer than two adjudicators have marked the same candidate, so nothing can be said yet.",)
    return tuple(
        f"{names.get(one.caption, one.caption)}{f' of {titles[one.piece_id]}' if one.piece_id in titles else ''}: "
        f"adjudicators lie {one.mean_spread:.1f} marks apart (standard deviation, {one.cells} candidates), "
        f"{one.widest:g} at most."
        for one in found
    )
