"""Opening a round: the standing is frozen with its hash, names appear, the audit says who opened it when.

Names stay where they are and are looked up when an opened round is shown; the frozen standing holds none, so that names
can be destroyed later while results stay.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlmodel import Session, col, select

from app.db.database import Database
from app.db.identities import Entry, Student
from app.db.models import Candidate, Round
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, WrongState
from app.domain.texts import one_line
from app.services import custody, long_work, paper, standing, standing_pages, tabulation
from app.services.long_work import Basis, Working
from app.services.rounds import get_round, is_long
from app.services.standing import RoundMarks

OPENING = "open-round"  # the kind of job that opens a long one
LONGEST_REASON = 300
NOT_OPENED = "This round is not opened, so there is no frozen standing to compare."
NOTHING_SENT = "No sheet was sent yet, so there is nothing to open."
NOT_WORKED_OUT = "The standing of so long a round takes a while to work out; have it worked out first."


def names(session: Session, round_id: str, candidate_ids: Sequence[str] | None = None) -> dict[str, str]:
    """{candidate id: student's name} of an opened round, or of some in it; raises ``WrongState`` while it is sealed."""
    if get_round(session, round_id).state != "opened":
        raise WrongState("The names of this round are sealed until it is opened.")
    asked = select(Candidate.id, Student.name).where(
        Candidate.round_id == round_id, Candidate.entry_id == Entry.id, Entry.student_id == Student.id
    )
    if candidate_ids is not None:
        asked = asked.where(col(Candidate.id).in_(list(candidate_ids)))
    return dict(session.exec(asked).all())


def _with_name(round_id: str, find: str) -> Any:
    """A selection of the candidates of an opened round whose name holds ``find``."""
    return select(Candidate.id).where(
        Candidate.round_id == round_id,
        Candidate.entry_id == Entry.id,
        Entry.student_id == Student.id,
        col(Student.name).icontains(find.strip(), autoescape=True),
    )


def _is_found(line: Mapping[str, Any], wanted: str) -> bool:
    """Whether a line's number begins with what is looked for, or its name holds it."""
    return line["blind_number"].startswith(wanted) or wanted.casefold() in (line.get("name") or "").casefold()


def shown(session: Session, round_id: str) -> dict[str, Any]:
    """The standing as the leader sees it: computed while sealed, frozen and with names once opened."""
    row = get_round(session, round_id)
    if row.state == "opened" and row.standing is not None:
        who = names(session, round_id)
        frozen = row.standing
        rows = [{**line, "name": who.get(line["candidate_id"])} for line in frozen["rows"]]
        body = {"questions_wait": None, **frozen, "rows": rows}
        why_not: str | None = "This round is opened already."
        digest = None
    else:
        marks = standing.round_marks(session, round_id)
        body = standing.compute(marks)
        digest = tabulation.tabulation_hash(body) if body["rows"] else None
        why_not = _why_not(marks) or _not_ready(session, row, marks.hash, tabulation.tabulation_hash(body))
    return _told(session, row, body, digest, why_not)


def shown_page(session: Session, round_id: str, *, find: str, offset: int, limit: int) -> dict[str, Any]:
    """The same with a page of its lines: whose number begins with ``find`` or, once opened, whose name holds it.

    ``total`` counts them. A long round's lines are those a worker has worked out; ``working`` says how far it is.
    """
    row = get_round(session, round_id)
    if not is_long(session, row) or (row.state == "opened" and not standing_pages.is_kept(session, row)):
        whole = shown(session, round_id)
        wanted = find.strip()
        rows = [line for line in whole["rows"] if not wanted or _is_found(line, wanted)]
        return {**whole, "rows": rows[offset : offset + limit], "total": len(rows), "working": None}
    working = {
        "working": asdict(standing_pages.working(session, row)),
        "being_opened": asdict(long_work.working(session, row, OPENING, row.opened_at, row.state == "opened")),
    }
    if not standing_pages.is_kept(session, row):
        body = {**standing.before_ranking(session, row), "sentences": [NOT_WORKED_OUT]}
        return {**_told(session, row, body, None, NOT_WORKED_OUT), "total": 0, **working}
    opened = row.state == "opened"
    named = _with_name(round_id, find) if opened and find.strip() else None
    seen = standing_pages.page(session, row, find=find, candidate_ids=named, offset=offset, limit=limit)
    who = names(session, round_id, [line["candidate_id"] for line in seen.rows]) if opened else {}
    rows = [{**line, "name": who.get(line["candidate_id"])} for line in seen.rows]
    body = {"questions_wait": None, **seen.content, "rows": rows, "brackets": seen.brackets}
    digest = seen.content.get("tabulation_hash")
    why_not: str | None = "This round is opened already."
    if not opened:
        why_not = NOTHING_SENT if digest is None else _not_ready(session, row, body["input_hash"], digest)
    told = _told(session, row, body, None if opened else digest, why_not)
    return {**told, "total": seen.total, **working}


def at_hand(session: Session, round_id: str) -> dict[str, Any]:
    """The standing's lines, without names, and what is said beside them; of a long round as it was worked out last.

    Raises ``WrongState`` when a long round has not been worked out.
    """
    row = get_round(session, round_id)
    if not is_long(session, row) or row.state not in ("drawn", "opened"):
        return shown(session, round_id)
    if not standing_pages.is_kept(session, row):
        if row.state == "opened":
            return shown(session, round_id)  # frozen: nothing has to be computed
        raise WrongState(NOT_WORKED_OUT)
    return _told(session, row, standing_pages.whole(session, row), None, None)


def _told(
    session: Session, row: Round, body: Mapping[str, Any], digest: str | None, why_not: str | None
) -> dict[str, Any]:
    """A standing with what stands around it on the screen."""
    return {
        **body,
        "opened": row.state == "opened",
        "opened_at": row.opened_at,
        "standing_hash": row.standing_hash,
        "tabulation_hash": digest,
        "why_not_open": why_not,
        "caption_names": standing.caption_names(session, row),
    }


def open_round(database: Database, round_id: str, *, reason: str, actor: Actor) -> None:
    """Open a drawn round. With sheets missing, ``reason`` must say why it is opened without them.

    The standing is computed beside the writer, then kept only if nothing it rests on has changed meanwhile.
    """
    with database.read() as session:
        save = prepare(session, round_id, reason=reason, actor=actor)
    database.write(save)


def prepare(
    session: Session,
    round_id: str,
    *,
    reason: str,
    actor: Actor,
    progress: Callable[[float, str], None] = lambda share, text: None,
) -> Callable[[Session], None]:
    """What opening a drawn round writes. Raises where it can't be opened; see :func:`open_round`."""
    tidy = one_line(reason, what="reason", longest=LONGEST_REASON, required=False)
    row = require_sealed(session, round_id)
    progress(0.0, "reading sheets and findings")
    basis = long_work.basis(session, row) if is_long(session, row) else None
    marks = standing.round_marks(session, round_id)
    refusal = _why_not(marks)
    if refusal is not None:
        raise WrongState(refusal)
    missing = marks.still_to_come()
    if missing and not tidy:
        first = standing_pages.shortened(missing[0])
        raise BadInput(f"{first} Wait for it, or say why the round is opened without it.", missing=list(missing))
    progress(0.3, "ranking")
    computed = standing.compute(marks, closing=True)
    digest = tabulation.tabulation_hash(computed)
    refusal = _not_ready(session, row, marks.hash, digest)
    if refusal is not None:
        raise WrongState(refusal)
    progress(0.9, "freezing the standing")
    frozen = {**computed, "opening": {"reason": tidy, "without": list(missing)}}
    return _freezing(round_id, marks.hash, basis, frozen, actor)


def recompute(session: Session, round_id: str) -> str | None:
    """Compute an opened round's standing again: None when it is the frozen one, else a sentence saying what differs."""
    row = get_round(session, round_id)
    return _difference(row, lambda: standing.compute(_marks_again(session, row), closing=True))


def _difference(row: Round, compute: Callable[[], Mapping[str, Any]]) -> str | None:
    if row.standing is None:
        raise WrongState(NOT_OPENED)
    if custody.content_hash(row.standing) != row.standing_hash:
        return "The frozen standing was changed after the round was opened."
    again = compute()
    if again["input_hash"] != row.standing["input_hash"]:
        return "What the standing rests on has changed since the round was opened."
    if again["rows"] != row.standing["rows"]:
        return "The same marks give another standing today than when the round was opened."
    return None


def _marks_again(session: Session, row: Round) -> RoundMarks:
    """What an opened round rests on: as it is now or, where takes were measured again since, as it was then."""
    now = standing.round_marks(session, row.id)
    if row.standing is None or now.hash == row.standing["input_hash"]:
        return now
    then = standing.round_marks(session, row.id, row.opened_at)
    return then if then.hash == row.standing["input_hash"] else now


@dataclass(frozen=True, slots=True)
class Compared:
    """A frozen standing beside the same computed anew."""

    same: bool | None  # None of a long round that nobody has compared yet
    sentence: str
    standing_hash: str
    input_hash: str  # of the frozen standing
    input_hash_now: str
    differs: tuple[str, ...]  # per number whose line differs, what was and what is
    working: Working | None = None  # of a long round


def compare(session: Session, round_id: str) -> Compared:
    """Compute an opened round's standing again and say whether, and where, it differs from the frozen one."""
    row = get_round(session, round_id)
    if row.standing is None:
        raise WrongState(NOT_OPENED)
    marks = _marks_again(session, row)
    again = standing.compute(marks, closing=True)
    what = _difference(row, lambda: again)
    frozen: dict[str, Any] = row.standing
    before = {line["candidate_id"]: line for line in frozen["rows"]}
    after = {line["candidate_id"]: line for line in again["rows"]}
    differs = tuple(
        f"Number {(now or was or {}).get('blind_number')}: {_line(was)} when opened, {_line(now)} now."
        for was, now in ((before.get(key), after.get(key)) for key in {**before, **after})
        if was != now
    )
    return Compared(
        same=what is None,
        sentence=what
        or "Computed anew from the sheets: every place, mark and interval is the same as when it was opened.",
        standing_hash=row.standing_hash or "",
        input_hash=frozen["input_hash"],
        input_hash_now=marks.hash,
        differs=differs,
    )


def _line(line: Mapping[str, Any] | None) -> str:
    """A line of a standing in a few words."""
    if line is None:
        return "not there"
    place = "no place" if line["place"] is None else f"place {line['place']}"
    return place if line["mark"] is None else f"{place} with {line['mark']:.2f}"


def _freezing(
    round_id: str, input_hash: str, basis: Basis | None, frozen: dict[str, Any], actor: Actor
) -> Callable[[Session], None]:
    def is_same(session: Session, row: Round) -> bool:
        """Whether nothing has changed since; of a long round nobody could write while its marks are read again."""
        if basis is not None:
            return long_work.is_current(session, row, basis)
        return standing.round_marks(session, round_id).hash == input_hash

    def work(session: Session) -> None:
        row = require_sealed(session, round_id)
        if not is_same(session, row):
            raise WrongState("A sheet came in at this very moment; look at the standing once more, then open.")
        refusal = paper.why_not_open(session, round_id)
        if refusal is not None:
            raise WrongState(refusal)
        row.state = "opened"
        row.opened_at = now_utc()
        row.standing = frozen
        row.standing_hash = custody.content_hash(frozen)
        session.add(row)
        session.flush()
        if is_long(session, row):
            standing_pages.keep(session, row, frozen, Basis(row.standing_hash, None, 0))
        facts = {
            "standing": row.standing_hash,
            "input": input_hash,
            "without": len(frozen["opening"]["without"]),
            "reason_hash": custody.content_hash(frozen["opening"]["reason"]),
        }
        custody.record(session, round_id, actor, "opened", round_id, facts)

    return work


def require_sealed(session: Session, round_id: str) -> Round:
    """The row of a round that is drawn and not opened; raises ``WrongState`` for any other."""
    row = get_round(session, round_id)
    if row.state == "opened":
        raise WrongState("This round is opened already; its result is fixed.")
    if row.state != "drawn":
        raise WrongState("This round is not drawn yet, so there is nothing to open.")
    return row


def _not_ready(session: Session, row: Round, input_hash: str, digest: str) -> str | None:
    """What an earlier round or a second person keeps this round from being opened for, or None."""
    earlier = session.get(Round, row.carried_from) if row.carried_from is not None else None
    if earlier is not None and earlier.state != "opened":
        return f"The marks of {earlier.name} count here as well; open {earlier.name} first, so that they are fixed."
    return paper.why_not_open(session, row.id) or tabulation.why_not_open(session, row, input_hash, digest)


def _why_not(marks: RoundMarks) -> str | None:
    """Why the round can't be opened whatever the reason, or None."""
    if not marks.table.candidates:
        return "Nobody was heard in this round, so there is nothing to open."
    if not marks.table.marks:
        return NOTHING_SENT
    return None
