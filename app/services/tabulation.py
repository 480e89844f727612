"""The second person's confirmation of a tabulation before a round is opened. By numbers and letters only.

The tabulation is the standing as it would be frozen; its hash is what both people compare. Any mark that changes
afterwards changes what it rests on, and the confirmation no longer holds.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, select

from app.db.models import Round, TabulationCheck
from app.domain.actor import Actor
from app.domain.errors import NotFound, WrongState
from app.domain.texts import one_line
from app.services import custody, standing
from app.services.rounds import get_round


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One adjudicator's marks for one number and piece, as they count."""

    letter: str
    piece: str
    marks: tuple[float | None, ...]  # in the order of the captions


@dataclass(frozen=True, slots=True)
class TabulatedNumber:
    """A number's place and total, and every mark they come from."""

    place: int | None
    tied: bool
    blind_number: str
    total: float | None
    sheets: tuple[SheetLine, ...]


@dataclass(frozen=True, slots=True)
class Tabulation:
    """What the second person looks at."""

    round_id: str
    round_name: str
    state: str
    required: bool
    rule_sentence: str
    captions: tuple[str, ...]
    numbers: tuple[TabulatedNumber, ...]  # of a long round a page of them
    total: int
    offset: int
    not_heard: tuple[dict[str, str], ...]
    sentences: tuple[str, ...]
    missing: tuple[str, ...]
    hash: str
    confirmed_by: str | None  # who has confirmed exactly this tabulation
    confirmed_at: datetime | None


def tabulation_hash(computed: dict[str, Any]) -> str:
    """The hash two people compare. Questions to listen again come up when the sheets are in; they are no result."""
    return custody.content_hash({k: v for k, v in computed.items() if k not in ("questions", "questions_wait")})


def confirm(
    session: Session,
    round_id: str,
    *,
    seen_hash: str,
    person: str,
    audition_id: str,
    token_id: str,
    now: datetime,
    actor: Actor,
    tabulated: tuple[str, str] | None = None,
) -> None:
    """Confirm the tabulation whose hash was shown; ``WrongState`` when it has changed since.

    ``tabulated``: the hash of what it rests on and its own, where they are known; else it is computed.
    """
    row = get_round(session, round_id)
    if row.audition_id != audition_id:
        raise NotFound("This round is not part of your audition; reload the page.")
    if row.state != "drawn":
        raise WrongState("This round is not waiting to be opened, so there is nothing to confirm.")
    tidy = one_line(person, what="name of whoever confirms", longest=120)
    input_hash, digest = tabulated or _tabulated(session, round_id)
    if digest != seen_hash:
        raise WrongState("The tabulation has changed since you looked at it; look at it once more, then confirm.")
    session.add(
        TabulationCheck(
            round_id=round_id,
            input_hash=input_hash,
            tabulation_hash=digest,
            token_id=token_id,
            person=tidy,
            confirmed_at=now,
        )
    )
    session.flush()
    custody.record(session, round_id, actor, "tabulation-confirmed", round_id, {"tabulation": digest})


def _tabulated(session: Session, round_id: str) -> tuple[str, str]:
    marks = standing.round_marks(session, round_id)
    if not marks.table.marks:
        raise WrongState("No sheet was sent yet, so there is no tabulation to confirm.")
    return marks.hash, tabulation_hash(standing.compute(marks))


def why_not_open(session: Session, row: Round, input_hash: str, digest: str) -> str | None:
    """Why a round that needs a second person can't be opened with this tabulation yet, or None."""
    if not row.second_check or check_of(session, row.id, input_hash, digest) is not None:
        return None
    return (
        "A second person has not confirmed this tabulation yet; make their link under Day, and let them confirm it on "
        "their own device."
    )


def check_of(session: Session, round_id: str, input_hash: str, digest: str) -> TabulationCheck | None:
    """The confirmation of exactly this tabulation, or None."""
    return session.exec(
        select(TabulationCheck).where(
            TabulationCheck.round_id == round_id,
            TabulationCheck.input_hash == input_hash,
            TabulationCheck.tabulation_hash == digest,
        )
    ).first()


def of_round(session: Session, row: Round) -> Tabulation:
    """The tabulation of a drawn round."""
    marks = standing.round_marks(session, row.id)
    computed = standing.compute(marks)
    digest = tabulation_hash(computed)
    check = check_of(session, row.id, marks.hash, digest)
    given = {(m.candidate_id, m.adjudicator_id, m.piece_id, m.caption): m.mark for m in marks.table.marks}
    lines = {
        candidate.candidate_id: tuple(
            SheetLine(
                adjudicator.letter,
                marks.piece_titles.get(piece_id, ""),
                tuple(
                    given.get((candidate.candidate_id, adjudicator.adjudicator_id, piece_id, caption))
                    for caption in marks.table.captions
                ),
            )
            for adjudicator in marks.table.adjudicators
            for piece_id in marks.table.piece_ids
        )
        for candidate in marks.table.candidates
    }
    return Tabulation(
        round_id=row.id,
        round_name=row.name,
        state=row.state,
        required=row.second_check,
        rule_sentence=computed["rule_sentence"],
        captions=tuple(caption.name for caption in marks.rubric.captions),
        numbers=tuple(
            TabulatedNumber(
                line["place"], line["tied"], line["blind_number"], line["total"], lines[line["candidate_id"]]
            )
            for line in computed["rows"]
        ),
        total=len(computed["rows"]),
        offset=0,
        not_heard=tuple(computed["not_heard"]),
        sentences=tuple(marks.declared()),
        missing=tuple(computed["missing"]),
        hash=digest,
        confirmed_by=check.person if check is not None else None,
        confirmed_at=check.confirmed_at if check is not None else None,
    )
