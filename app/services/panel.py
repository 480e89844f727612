"""What an adjudicator's tablet shows: numbers, takes, own sheets. No name can be reached from this module.

Only kept takes are there; why a take was voided, and that it was, the panel never learns. Numbers come in the order in
which this adjudicator hears them, which the draw made from the committed seed: nothing here is in the order of the
roster. A hidden repeat is answered like any candidate.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlmodel import Session, col, select

from app.db.models import (
    AdjudicationSheet,
    Candidate,
    ExtraHearing,
    ExtraSheet,
    Piece,
    Recusal,
    Round,
    Take,
)
from app.domain.errors import FairhearingError, NotAllowed, NotFound, WrongState
from app.services import absences, declaring, heard_picture, hearing, measuring, pieces, shares, turns
from app.services.access import AdjudicatorPrincipal
from app.services.attendance import NOT_HEARD
from app.services.sheet_cells import round_pieces
from app.services.sheets_in import state_word

NO_PRACTICE_FINDINGS = (
    "No measurements of the practice take are shown: ears are set by ears with it, and it counts for nobody."
)
TAKE_GONE = "This take is not there any more; reload the page."
NOT_YOURS = "You are recused from this number, so its takes are not yours to hear."
WAITS = "This round is heard from recordings; they appear here together when the last take is in."


@dataclass(frozen=True, slots=True)
class PanelTake:
    """A take that can be heard."""

    take_id: str
    piece_id: str
    duration_sec: float


@dataclass(frozen=True, slots=True)
class PanelCandidate:
    """A number and what of it can be heard."""

    candidate_id: str
    blind_number: str
    state: str  # "to hear" | "draft" | "sent" | "recused"
    takes: tuple[PanelTake, ...]
    restarts: dict[str, int] | None  # by piece, when it was declared that the panel sees them
    practice: bool = False  # counts for nothing; its agreed marks show once the sheet is sent


@dataclass(frozen=True, slots=True)
class PanelPiece:
    """A piece and the bars a remark can be tied to."""

    piece_id: str
    title: str
    bars: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PanelRound:
    """The round that is heard."""

    id: str
    name: str
    state: str


@dataclass(frozen=True, slots=True)
class PanelView:
    """Everything the tablet's first screen needs."""

    audition_name: str
    a4_hz: float
    round: PanelRound | None
    rounds: tuple[PanelRound, ...]
    letter: str
    rubric: dict[str, Any]
    scored_per: str
    pieces: tuple[PanelPiece, ...]
    candidates: tuple[PanelCandidate, ...]
    waiting: str | None  # why there is nothing to hear yet


def overview(session: Session, principal: AdjudicatorPrincipal, round_id: str | None = None) -> PanelView:
    """The panel's screen for one adjudicator: the round asked for, else the latest that is drawn and not opened."""
    audition = declaring.get_audition(session, principal.audition_id)
    drawn = session.exec(
        select(Round)
        .where(Round.audition_id == audition.id, col(Round.state).in_(("drawn", "opened")))
        .order_by(col(Round.position))
    ).all()
    row = _choose(drawn, round_id)
    candidates, waiting = _candidates(session, principal, row) if row is not None else ((), None)
    return PanelView(
        audition_name=audition.name,
        a4_hz=audition.a4_hz,
        round=_round(row) if row is not None else None,
        rounds=tuple(_round(r) for r in drawn),
        letter=principal.letter,
        rubric=declaring.rubric_of(audition).to_dict(),
        scored_per=audition.scored_per,
        pieces=_pieces(session, row) if row is not None else (),
        candidates=candidates,
        waiting=waiting,
    )


def recording(session: Session, principal: AdjudicatorPrincipal, take_id: str) -> hearing.Heard:
    """A recording this adjudicator may hear; raises ``NotFound`` or, when recused, ``NotAllowed``."""
    found = hearing.find(session, principal.audition_id, take_id)
    if found is None:
        raise NotFound(TAKE_GONE)
    if found.extra is None:
        of_round = session.get_one(Round, found.round_id)
        if not shares.is_mine(session, of_round, principal.adjudicator_id, found.subject_id):
            raise NotFound(TAKE_GONE)
        if found.subject_id in _recused(session, principal.adjudicator_id, [found.subject_id]):
            raise NotAllowed(NOT_YOURS)
        return found
    row = session.get_one(Round, found.round_id)
    extras = hearing.extras_of(session, row.id)
    order = hearing.order_for(session, row, principal.adjudicator_id, _in_playing_order(session, row.id), extras)
    sheet = _extra_sheets(session, principal.adjudicator_id, [found.subject_id]).get(found.subject_id)
    if found.subject_id not in order or (sheet is not None and sheet.recused):
        raise NotAllowed(NOT_YOURS)
    return found


def waveform(session: Session, principal: AdjudicatorPrincipal, take_id: str) -> measuring.Waveform:
    """The take's outline and, once it is measured, where its bars begin."""
    found = recording(session, principal, take_id)
    extra = found.extra
    if found.take is not None:
        return measuring.waveform(session, found.take)
    if extra is None:
        raise NotFound(TAKE_GONE)
    chosen = session.get(Take, extra.take_id) if extra.take_id is not None else None
    bars = measuring.waveform(session, chosen).bars if chosen is not None else []
    return measuring.Waveform(extra.duration_sec, extra.peaks, bars)


def findings(session: Session, principal: AdjudicatorPrincipal, take_id: str) -> dict[str, Any]:
    """The take's findings, only after this adjudicator's own sheet for the number was sent.

    In a round with hidden repeats only after every own sheet: equal findings would tell which numbers belong together.
    """
    found = recording(session, principal, take_id)
    if found.take is None:
        raise NotFound(NO_PRACTICE_FINDINGS)
    states = {c.candidate_id: c.state for c in overview(session, principal, found.round_id).candidates}
    if states.get(found.subject_id) != "sent":
        raise WrongState("Findings are shown once your own sheet for this number is sent.")
    has_repeats = session.get_one(Round, found.round_id).hidden_repeats > 0
    if has_repeats and not {"to hear", "draft"}.isdisjoint(states.values()):
        raise WrongState("Findings of this round are shown once all of your own sheets are sent.")
    measured = measuring.newest(session, found.take.id)
    if measured is None:
        if measuring.states(session, [found.take.id])[found.take.id].state == "failed":
            raise NotFound("This take could not be measured; your ears are what counts.")
        raise NotFound("This take is not measured yet; look again in a minute.")
    return {**heard_picture.without_trace(measured.payload), "picture": heard_picture.picture(measured.payload)}


def _choose(drawn: Sequence[Round], round_id: str | None) -> Round | None:
    if round_id is not None:
        for row in drawn:
            if row.id == round_id:
                return row
        raise NotFound("This round is not part of your audition; reload the page.")
    still_heard = [row for row in drawn if row.state == "drawn"]
    of_interest = still_heard or drawn
    return of_interest[-1] if of_interest else None


def _round(row: Round) -> PanelRound:
    return PanelRound(row.id, row.name, row.state)


def _pieces(session: Session, row: Round) -> tuple[PanelPiece, ...]:
    return tuple(PanelPiece(p.id, p.title, bar_numbers(p)) for p in round_pieces(session, row))


def bar_numbers(row: Piece) -> tuple[str, ...]:
    """The printed bar numbers of a piece, each once; empty when its notation can't be read (remarks then name none)."""
    try:
        piece = pieces.load_piece(row, None)
    except FairhearingError:
        return ()
    return tuple(dict.fromkeys(bar.number for bar in piece.bars))


def _candidates(
    session: Session, principal: AdjudicatorPrincipal, row: Round
) -> tuple[tuple[PanelCandidate, ...], str | None]:
    """The numbers in this adjudicator's order, and why there is nothing to hear yet, if there isn't."""
    share = shares.own_share(session, row.id, principal.adjudicator_id) if shares.is_handed_in(row) else None
    not_yet = shares.waiting_sentence(row)
    candidates = _in_playing_order(session, row.id) if share is None else _of_share(session, share)
    ids = [c.id for c in candidates]
    by_id = {c.id: c for c in candidates}
    extras = {extra.id: extra for extra in hearing.extras_of(session, row.id)}
    places = {p.id: place for place, p in enumerate(round_pieces(session, row))}
    takes: dict[str, list[PanelTake]] = {}
    kept = session.exec(
        select(Take.candidate_id, Take.id, Take.piece_id, Take.duration_sec)
        .where(col(Take.candidate_id).in_(ids), Take.state == "kept")
        .order_by(col(Take.received_at), col(Take.id))
    ).all()
    for candidate_id, take_id, piece_id, length in sorted(kept, key=lambda t: places.get(t[2], len(places))):
        takes.setdefault(candidate_id, []).append(PanelTake(take_id, piece_id, length))
    sheets = dict(
        session.exec(
            select(AdjudicationSheet.candidate_id, AdjudicationSheet.state).where(
                AdjudicationSheet.adjudicator_id == principal.adjudicator_id,
                col(AdjudicationSheet.candidate_id).in_(ids),
            )
        ).all()
    )
    extra_sheets = _extra_sheets(session, principal.adjudicator_id, extras)
    recused = _recused(session, principal.adjudicator_id, ids)
    away = absences.away_cells(session, row.id, principal.adjudicator_id)
    seen = turns.seen_by_panel(session, row, ids)
    repeats = {extra.id for extra in extras.values() if extra.candidate_id is not None}
    begun = bool(sheets) or any(number_id in repeats for number_id in extra_sheets)
    waits = hearing.is_recorded(row) and not begun and not hearing.all_recorded(candidates)

    def restarts_of(candidate_id: str) -> dict[str, int] | None:
        return None if seen is None else {piece: count for (of, piece), count in seen.items() if of == candidate_id}

    def candidate(one: Candidate) -> PanelCandidate | None:
        sheet = sheets.get(one.id)
        if one.state in NOT_HEARD and sheet is None:
            return None
        word = state_word(
            begun=sheet is not None,
            sent=sheet == "submitted",
            recused=one.id in recused,
            away=(principal.adjudicator_id, one.id) in away,
        )
        own = () if one.id in recused or waits else takes.get(one.id, ())
        return PanelCandidate(
            one.id,
            one.blind_number,
            word,
            tuple(own),
            restarts_of(one.id),
        )

    def besides(extra: ExtraHearing) -> PanelCandidate | None:
        sheet = extra_sheets.get(extra.id)
        player = by_id.get(extra.candidate_id or "")
        word = state_word(
            begun=sheet is not None,
            sent=sheet is not None and sheet.state == "submitted",
            recused=sheet is not None and sheet.recused,
            away=(principal.adjudicator_id, extra.candidate_id) in away,
        )
        if extra.candidate_id is None:
            own_id = hearing.take_id_of(extra)
            own = (PanelTake(own_id, extra.piece_id or "", extra.duration_sec),)
            return PanelCandidate(extra.id, "", word, own, None, practice=True) if hearing.is_set(extra) else None
        if player is None or (player.state in NOT_HEARD and sheet is None):
            return None
        again = () if word == "recused" or waits else takes.get(player.id, ())
        return PanelCandidate(
            extra.id,
            extra.blind_number,
            word,
            tuple(PanelTake(hearing.take_id_of(extra, t.take_id), t.piece_id, t.duration_sec) for t in again),
            restarts_of(player.id),
        )

    if share is not None:
        order = [extra.id for extra in extras.values() if extra.kind == hearing.PRACTICE] + share
    else:
        order = hearing.order_for(session, row, principal.adjudicator_id, candidates, list(extras.values()))
    shown = [candidate(by_id[one]) if one in by_id else besides(extras[one]) for one in order]
    return tuple(one for one in shown if one is not None), WAITS if waits else not_yet


def _in_playing_order(session: Session, round_id: str) -> list[Candidate]:
    return list(
        session.exec(
            select(Candidate).where(Candidate.round_id == round_id).order_by(col(Candidate.playing_order))
        ).all()
    )


def _of_share(session: Session, candidate_ids: Sequence[str]) -> list[Candidate]:
    return list(session.exec(select(Candidate).where(col(Candidate.id).in_(list(candidate_ids)))).all())


def _extra_sheets(session: Session, adjudicator_id: str, extra_ids: Iterable[str]) -> dict[str, ExtraSheet]:
    rows = session.exec(
        select(ExtraSheet).where(
            ExtraSheet.adjudicator_id == adjudicator_id, col(ExtraSheet.extra_id).in_(list(extra_ids))
        )
    ).all()
    return {row.extra_id: row for row in rows}


def _recused(session: Session, adjudicator_id: str, candidate_ids: Iterable[str]) -> set[str]:
    return set(
        session.exec(
            select(Recusal.candidate_id).where(
                Recusal.adjudicator_id == adjudicator_id, col(Recusal.candidate_id).in_(list(candidate_ids))
            )
        ).all()
    )
