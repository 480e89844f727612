"""From sheets and findings to a standing: load, one pure call, plain values. No name can be reached from here.

The latest version of each sent sheet counts. A recused cell is missing, never zero. Candidates who were absent,
withdrew or did not show are not in the table at all.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from app.db.models import (
    AdjudicationSheet,
    Adjudicator,
    Candidate,
    ExtraHearing,
    ExtraSheet,
    Recusal,
    Round,
    SheetVersion,
    Take,
)
from app.domain.errors import WrongState
from app.domain.findings import findings_from_dict
from app.domain.panel import (
    ALL_PIECES,
    MarksTable,
    MeasuredTake,
    PanelAdjudicator,
    PanelCandidate,
    PanelMark,
    Rubric,
    Rule,
)
from app.domain.standing import STANDING_VERSION
from app.judging.rule import rule_sentence
from app.judging.standing import input_hash, make_standing
from app.judging.yardsticks import measured_marks
from app.services import absences, carrying, declaring, hearing, measuring, shares
from app.services.attendance import NOT_HEARD
from app.services.piece_reading import has_notation
from app.services.rounds import get_round
from app.services.sheet_cells import round_pieces

TAKES_AT_ONCE = 100  # our choice: findings of a long take may be a megabyte
QUESTIONS_WAIT = "Questions to listen again come up once every sheet is in, so that nobody's marks follow from them."


@dataclass(frozen=True, slots=True)
class _Counting:
    """The take that counts for a candidate and a piece."""

    candidate_id: str
    piece_id: str
    id: str


@dataclass(frozen=True, slots=True)
class RoundMarks:
    """Everything a round's standing depends on, and what is still to come."""

    table: MarksTable
    rule: Rule
    rubric: Rubric
    measured: tuple[MeasuredTake, ...]
    seats: int | None
    piece_titles: Mapping[str, str]
    missing_sheets: tuple[tuple[str, str], ...]  # (blind number, letter)
    measuring: tuple[str, ...]  # blind numbers whose takes are still being measured
    carried: str | None  # what was declared about an earlier round's marks
    away: tuple[tuple[str, str], ...]  # (blind number, letter) of cells an absent adjudicator left empty
    not_heard: tuple[tuple[str, str], ...]  # (blind number, state) of who is in no result
    unmarked: tuple[str, ...]  # sheets sent with marks missing, in words with their reasons
    repeats: tuple[PanelMark, ...] = ()  # marks of hidden repeats: they show consistency and never count
    missing_repeats: tuple[tuple[str, str], ...] = ()  # (second number, letter)
    shared: str | None = None  # that each candidate was heard by a part of the panel
    version: str = STANDING_VERSION  # how the standing is computed: as it was frozen, once opened

    @property
    def hash(self) -> str:
        """The hash of the standing's input, as the standing itself carries it."""
        return input_hash(
            self.table,
            self.rule,
            rubric=self.rubric,
            measured=self.measured,
            seats=self.seats,
            repeats=self.repeats,
            version=self.version,
        )

    def declared(self) -> tuple[str, ...]:
        """What must be said beside the ranking: marks carried over, and cells that are empty because of an absence."""
        by_letter: dict[str, list[str]] = {}
        for number, letter in self.away:
            by_letter.setdefault(letter, []).append(number)
        away = (
            f"Adjudicator {letter} was away for {_numbers(numbers)}; "
            f"{'that cell is' if len(numbers) == 1 else 'those cells are'} missing, not zero."
            for letter, numbers in sorted(by_letter.items())
        )
        said = (self.carried, self.shared)
        return (*(sentence for sentence in said if sentence is not None), *away)

    def still_to_come(self) -> tuple[str, ...]:
        """What a leader would open without, one sentence each."""
        sentences = [
            f"Adjudicator {letter} has not sent {'a sheet' if len(numbers) == 1 else 'sheets'} for {_numbers(numbers)}."
            for letter, numbers in _by_letter(self.missing_sheets)
        ]
        if self.measuring:
            sentences.append(f"The takes of {_numbers(self.measuring)} are still being measured.")
        return tuple(sentences)

    def repeats_to_come(self) -> tuple[str, ...]:
        """Hidden repeats without a sheet, one sentence each. Nothing waits for them."""
        return tuple(
            f"Adjudicator {letter} has not marked {_numbers(numbers)}, a hidden repeat; no place depends on it."
            if len(numbers) == 1
            else f"Adjudicator {letter} has not marked {_numbers(numbers)}, hidden repeats; no place depends on them."
            for letter, numbers in _by_letter(self.missing_repeats)
        )


def round_marks(session: Session, round_id: str, measured_until: datetime | None = None) -> RoundMarks:
    """Load what the standing of a drawn round depends on. Raises ``WrongState`` before the draw.

    With ``measured_until`` takes count as they were measured at that moment, whatever came after.
    """
    row = get_round(session, round_id)
    if row.state not in ("drawn", "opened"):
        raise WrongState("There is no standing before the draw; draw the round first.")
    audition = declaring.get_audition(session, row.audition_id)
    rubric, rule = declaring.rubric_of(audition), declaring.rule_of(audition)
    pieces = round_pieces(session, row)
    everyone = session.exec(
        select(Candidate).where(Candidate.round_id == round_id).order_by(col(Candidate.playing_order))
    ).all()
    candidates = [c for c in everyone if c.state not in NOT_HEARD]
    ids = {c.id for c in candidates}
    panel = session.exec(
        select(Adjudicator).where(Adjudicator.audition_id == row.audition_id).order_by(col(Adjudicator.letter))
    ).all()
    if row.state == "opened" and row.standing is not None:  # who joined later had no part in this round
        letters_then = {report["letter"] for report in row.standing["adjudicators"]}
        panel = [adjudicator for adjudicator in panel if adjudicator.letter in letters_then]
    recusals = frozenset(
        (r.adjudicator_id, r.candidate_id)
        for r in session.exec(
            select(Recusal).where(Recusal.candidate_id == Candidate.id, Candidate.round_id == round_id)
        )
        if r.candidate_id in ids
    )
    away = {cell for cell in absences.away_cells(session, round_id) if cell[1] in ids} - recusals
    empty = recusals | away  # missing, never zero
    latest = latest_versions(session, round_id)
    letters = {a.id: a.letter for a in panel}
    numbers = {c.id: c.blind_number for c in candidates}
    per_candidate = audition.scored_per == "candidate"
    counted = {cell: v for cell, v in latest.items() if cell[1] in ids and cell not in empty}
    assigned = shares.assigned(session, round_id) if shares.is_handed_in(row) else None
    everybodys = (
        row.listening_order == "same" and assigned is None
    )  # else the playing order is nobody's order of hearing
    table = MarksTable(
        candidates=tuple(
            PanelCandidate(c.id, c.blind_number, c.playing_order if everybodys else None) for c in candidates
        ),
        adjudicators=tuple(PanelAdjudicator(a.id, a.letter) for a in panel),
        piece_ids=(ALL_PIECES,) if per_candidate else tuple(p.id for p in pieces),
        captions=rubric.keys,
        marks=tuple(
            PanelMark(candidate_id, adjudicator_id, piece_id, caption, float(mark))
            for (adjudicator_id, candidate_id), version in counted.items()
            for piece_id, marks in version.marks.items()
            for caption, mark in marks.items()
        ),
        recusals=empty,
        hearing_positions=(
            hearing.positions(session, row, [a.id for a in panel], empty)
            if assigned is None
            else shares.positions(session, round_id)
        ),
        assigned=assigned,
    )
    repeats, missing_repeats = _repeats(session, row, {a.id: a.letter for a in panel}, ids, empty)
    own_cells = len(table.piece_ids) * len(table.captions)
    # Without notation there is no measured mark; a take of such a piece must not count as one that is missing.
    notated = {p.id for p in pieces if has_notation(p)}
    takes = [t for t in _counting_takes(session, round_id, ids) if t.piece_id in notated]
    measured, unfinished = _measured(session, takes, rubric, rule, measured_until)
    titles = {p.id: p.title for p in pieces}
    if row.carried_from is not None:
        earlier = round_marks(session, row.carried_from, measured_until)
        table, rule, measured, titles = carrying.carried(session, row, table, rule, measured, titles, earlier, away)
    return RoundMarks(
        table=table,
        rule=rule,
        rubric=rubric,
        measured=measured,
        seats=row.seats,
        piece_titles=titles,
        missing_sheets=tuple(
            (numbers[candidate_id], letters[adjudicator_id])
            for adjudicator_id, candidate_id in _wanted(numbers, tuple(letters), assigned)
            if (adjudicator_id, candidate_id) not in empty and (adjudicator_id, candidate_id) not in latest
        ),
        shared=shares.share_sentence(row, len(panel), assigned or ()),
        measuring=tuple(dict.fromkeys(numbers[t.candidate_id] for t in takes if t.id in unfinished)),
        carried=carrying.sentence(session, row),
        away=tuple(
            (numbers[candidate_id], letter)
            for adjudicator_id, letter in (letters.items() if away else ())
            for candidate_id in numbers
            if (adjudicator_id, candidate_id) in away
        ),
        not_heard=tuple((c.blind_number, c.state) for c in everyone if c.state in NOT_HEARD),
        unmarked=tuple(
            f"Adjudicator {letters[adjudicator_id]} left marks of number {numbers[candidate_id]} out: {version.reason}"
            for (adjudicator_id, candidate_id), version in counted.items()
            if _is_partial(version, own_cells)
        ),
        repeats=repeats,
        missing_repeats=missing_repeats,
        version=row.standing["version"] if row.state == "opened" and row.standing is not None else STANDING_VERSION,
    )


def _wanted(
    candidates: Iterable[str], panel: Sequence[str], assigned: Iterable[tuple[str, str]] | None
) -> Iterator[tuple[str, str]]:
    """(adjudicator, candidate) of every sheet that is wanted: by candidate, then by adjudicator, in their orders."""
    if assigned is None:
        yield from ((one, candidate) for candidate in candidates for one in panel)
        return
    places = {one: at for at, one in enumerate(panel)}
    hears: dict[str, list[str]] = {}
    for adjudicator, candidate in assigned:
        if adjudicator in places:
            hears.setdefault(candidate, []).append(adjudicator)
    for candidate in candidates:
        yield from ((one, candidate) for one in sorted(hears.get(candidate, ()), key=places.__getitem__))


def compute(marks: RoundMarks, *, closing: bool = False) -> dict[str, Any]:
    """The standing as plain values, without names. Before the first sheet it has no rows and says so.

    Questions to listen again wait until every sheet is in, or until the round is opened without some (``closing``).
    """
    if not marks.table.marks:
        return _nothing_yet(marks)
    standing = make_standing(
        marks.table,
        marks.rule,
        rubric=marks.rubric,
        measured=marks.measured,
        seats=marks.seats,
        piece_titles=marks.piece_titles,
        repeats=marks.repeats,
        version=marks.version,
    )
    out = standing.to_dict()
    out["sentences"] = [*marks.declared(), *out["sentences"], *marks.unmarked, *marks.repeats_to_come()]
    waits = bool(marks.missing_sheets) and not closing
    out["questions"], out["questions_wait"] = ([], QUESTIONS_WAIT) if waits else (out["questions"], None)
    out["not_heard"] = [{"blind_number": number, "state": state} for number, state in marks.not_heard]
    out["missing"] = list(marks.still_to_come()) or out["missing"]
    return out


def caption_names(session: Session, row: Round) -> dict[str, str]:
    """The captions of a round's audition: {key: name}."""
    audition = declaring.get_audition(session, row.audition_id)
    return {c.key: c.name for c in declaring.rubric_of(audition).captions}


def latest_versions(
    session: Session, round_id: str, candidate_ids: Collection[str] | None = None
) -> dict[tuple[str, str], SheetVersion]:
    """The version that counts of each sent sheet, of all or of some: {(adjudicator id, candidate id): version}."""
    some = () if candidate_ids is None else (col(AdjudicationSheet.candidate_id).in_(candidate_ids),)
    rows = session.exec(
        select(AdjudicationSheet.adjudicator_id, AdjudicationSheet.candidate_id, SheetVersion)
        .where(
            AdjudicationSheet.candidate_id == Candidate.id,
            Candidate.round_id == round_id,
            AdjudicationSheet.state == "submitted",
            SheetVersion.sheet_id == AdjudicationSheet.id,
            *some,
        )
        .order_by(col(SheetVersion.version))
    ).all()
    return {(adjudicator_id, candidate_id): version for adjudicator_id, candidate_id, version in rows}


def _repeats(
    session: Session,
    row: Round,
    letters: Mapping[str, str],
    candidate_ids: set[str],
    recusals: frozenset[tuple[str, str]],
) -> tuple[tuple[PanelMark, ...], tuple[tuple[str, str], ...]]:
    """Marks of hidden repeats as marks of who plays, and (second number, letter) of those still to come."""
    repeated = {e.id: e for e in hearing.extras_of(session, row.id) if e.candidate_id in candidate_ids}
    if not repeated:
        return (), ()
    sheets = session.exec(
        select(ExtraSheet).where(ExtraSheet.extra_id == ExtraHearing.id, ExtraHearing.round_id == row.id)
    ).all()
    sent = {(s.adjudicator_id, s.extra_id): s for s in sheets if s.state == "submitted" and s.extra_id in repeated}
    apart = {(s.adjudicator_id, s.extra_id) for s in sheets if s.recused}
    marks = tuple(
        PanelMark(str(repeated[extra_id].candidate_id), adjudicator_id, piece_id, caption, float(mark))
        for (adjudicator_id, extra_id), sheet in sent.items()
        if (adjudicator_id, extra_id) not in apart
        for piece_id, given in sheet.versions[-1]["marks"].items()
        for caption, mark in given.items()
    )
    missing = tuple(
        (extra.blind_number, letter)
        for extra in repeated.values()
        for adjudicator_id, letter in letters.items()
        if (adjudicator_id, extra.id) not in sent
        and (adjudicator_id, extra.id) not in apart
        and (adjudicator_id, str(extra.candidate_id)) not in recusals
    )
    return marks, missing


def _by_letter(missing: tuple[tuple[str, str], ...]) -> list[tuple[str, list[str]]]:
    """(number, letter) pairs as (letter, numbers), by letter."""
    found: dict[str, list[str]] = {}
    for number, letter in missing:
        found.setdefault(letter, []).append(number)
    return sorted(found.items())


def _counting_takes(session: Session, round_id: str, candidate_ids: set[str]) -> list[_Counting]:
    """The take that counts for each candidate and piece: the last one kept."""
    rows = session.exec(
        select(Take.candidate_id, Take.piece_id, Take.id)
        .where(Take.candidate_id == Candidate.id, Candidate.round_id == round_id, Take.state == "kept")
        .order_by(col(Take.received_at), col(Take.id))
    ).all()
    return list({row[:2]: _Counting(*row) for row in rows if row[0] in candidate_ids}.values())


def _measured(
    session: Session, takes: list[_Counting], rubric: Rubric, rule: Rule, until: datetime | None
) -> tuple[tuple[MeasuredTake, ...], set[str]]:
    """Measured marks of the takes that are measured, and the ids of those that wait, if measured marks count at all."""
    found: list[MeasuredTake] = []
    for start in range(0, len(takes), TAKES_AT_ONCE):
        some = takes[start : start + TAKES_AT_ONCE]
        rows = measuring.newest_of(session, [take.id for take in some], until)
        for take in some:
            if (row := rows.get(take.id)) is not None:
                marks = measured_marks(findings_from_dict(row.payload), (rubric.low, rubric.high), rule.yardsticks)
                own = {caption: mark for caption, mark in marks.items() if caption in rubric.keys}
                found.append(MeasuredTake(take.candidate_id, take.piece_id, own, take.id))
    if not any(rule.measured_weights.values()):
        return tuple(found), set()
    states = measuring.states(session, [t.id for t in takes])
    return tuple(found), {take_id for take_id, state in states.items() if state.state in ("queued", "running")}


def _is_partial(version: SheetVersion, cells: int) -> bool:
    return sum(len(marks) for marks in version.marks.values()) < cells


def before_ranking(session: Session, row: Round) -> dict[str, Any]:
    """What can be said of a round that nobody has ranked yet: the rule, and no rows."""
    audition = declaring.get_audition(session, row.audition_id)
    titles = {piece.id: piece.title for piece in round_pieces(session, row)}
    said = rule_sentence(declaring.rule_of(audition), declaring.rubric_of(audition), titles)
    return {**_NO_ROWS, "rule_sentence": said, "seats": row.seats}


#: A standing without rows.
_NO_ROWS: Mapping[str, Any] = {
    "total_meaning": "",
    "rows": [],
    "brackets": [],
    "empty_seats": 0,
    "agreement": {},
    "caption_agreement": {},
    "adjudicators": [],
    "severity": {},
    "doubt": {},
    "hear_again": [],
    "sentences": [],
    "questions": [],
    "questions_wait": None,
    "missing": [],
    "not_heard": [],
    "input_hash": "",
    "version": "",
}


def _nothing_yet(marks: RoundMarks) -> dict[str, Any]:
    return {
        **_NO_ROWS,
        "rule_sentence": rule_sentence(marks.rule, marks.rubric, marks.piece_titles),
        "seats": marks.seats,
        "sentences": ["No sheet was sent yet, so there is nobody to rank."],
        "questions_wait": QUESTIONS_WAIT,
        "missing": list(marks.still_to_come()),
        "not_heard": [{"blind_number": number, "state": state} for number, state in marks.not_heard],
        "input_hash": marks.hash,
    }


def _numbers(numbers: tuple[str, ...] | list[str]) -> str:
    if len(numbers) == 1:
        return f"number {numbers[0]}"
    return f"numbers {', '.join(numbers[:-1])} and {numbers[-1]}"
