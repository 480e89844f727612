"""When everybody plays: several rooms at once, worked out anew from what has really happened.

Rooms are filled in order of time. In each room the next one is the first in the order who can come: nobody is in two
rooms at once, a student with two numbers warms up between them, and who has not come yet is passed over when the turn
is near and somebody else is here. A break begins after whoever is playing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from heapq import heapify, heappop, heapreplace

from app.domain.day import DayPlan, Pause, minutes

TAKEN_SHARE = 2 / 3  # a gap this large, of a break's length, counts as the break; our choice


@dataclass(frozen=True, slots=True)
class TurnFacts:
    """What is known of one candidate's turn. ``person`` is the same for one student's several numbers."""

    candidate_id: str
    person: str
    room_id: str | None
    place: int
    extra_percent: int = 0
    out: bool = False  # absent, withdrawn, no-show
    here: bool = False  # checked in
    entered_at: datetime | None = None
    left_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class PlannedTurn:
    """When a candidate plays, or played. All times are None for who is out."""

    candidate_id: str
    room_id: str | None
    stage: str  # "out" | "played" | "in the room" | "on deck" | "warm up" | "waits"
    warm_up_at: datetime | None = None
    plays_at: datetime | None = None
    ends_at: datetime | None = None


def plan_day(plan: DayPlan, turns: Sequence[TurnFacts], now: datetime | None = None) -> dict[str, PlannedTurn]:
    """Every candidate's times by candidate id. Without ``now`` nothing has happened yet: the day as announced."""
    if now is None:
        turns = [replace(t, here=False, entered_at=None, left_at=None) for t in turns]
    found = {t.candidate_id: PlannedTurn(t.candidate_id, t.room_id, "out") for t in turns if t.out}
    playing = [t for t in turns if not t.out]
    if now is not None and now < plan.starts_at and not any(t.entered_at for t in playing):
        now = None  # the day has not begun
    free_at: dict[str, datetime] = {}
    for turn in playing:
        if turn.entered_at is not None:
            ends = _ends(plan, turn, turn.entered_at, now)
            stage = "in the room" if turn.left_at is None else "played"
            at = turn.entered_at
            found[turn.candidate_id] = PlannedTurn(turn.candidate_id, turn.room_id, stage, at, at, ends)
            gap = minutes(plan.warm_up_minutes)
            free_at[turn.person] = max(free_at.get(turn.person, ends + gap), ends + gap)
    by_room: dict[str | None, list[TurnFacts]] = {}
    for turn in playing:
        by_room.setdefault(turn.room_id, []).append(turn)
    rooms = [_Room(plan, own, now) for own in by_room.values()]
    queue = [(room.cursor, at) for at, room in enumerate(rooms) if room.waiting]  # whose turn it is first comes first
    heapify(queue)
    while queue:
        room = rooms[queue[0][1]]
        if not room.move_on(now):  # else another room may be free earlier now
            following = _next(plan, room, free_at, now)
            if following is None:  # everybody left for this room is busy elsewhere
                room.cursor = min(free_at[t.person] for t in room.waiting)
            else:
                room.waiting.remove(following)
                starts, ends = room.cursor, room.cursor + _stay(plan, following)
                warm_up = starts - minutes(plan.warm_up_minutes)
                found[following.candidate_id] = PlannedTurn(
                    following.candidate_id, following.room_id, "waits", warm_up, starts, ends
                )
                free_at[following.person] = ends + minutes(plan.warm_up_minutes)
                room.cursor = ends + minutes(plan.change_minutes)
        if room.waiting:
            heapreplace(queue, (room.cursor, queue[0][1]))
        else:
            heappop(queue)
    return found if now is None else _staged(found, {t.candidate_id for t in playing if t.here}, now)


def behind_minutes(planned: PlannedTurn, announced: datetime | None) -> float | None:
    """How many minutes later than announced a turn begins; negative when earlier."""
    if announced is None or planned.plays_at is None:
        return None
    return (planned.plays_at - announced).total_seconds() / 60


class _Room:
    """One room while the day is worked out: who waits for it, when it is free, which breaks are still to come."""

    def __init__(self, plan: DayPlan, turns: list[TurnFacts], now: datetime | None) -> None:
        self.cursor = free_from = plan.starts_at
        self.pauses = list(plan.pauses)
        for at, turn in sorted(
            ((t.entered_at, t) for t in turns if t.entered_at is not None), key=lambda pair: pair[0]
        ):
            self.pauses = [pause for pause in self.pauses if not _was_taken(pause, free_from, at)]
            free_from = _ends(plan, turn, at, now)
            self.cursor = free_from + minutes(plan.change_minutes)
        self.waiting = sorted((t for t in turns if t.entered_at is None), key=lambda t: (t.place, t.candidate_id))

    def move_on(self, now: datetime | None) -> bool:
        """Let breaks that are due pass and the past be past; whether the room is free later than it was."""
        before = self.cursor
        while self.pauses and max(self.cursor, now or self.cursor) >= self.pauses[0].at:
            pause = self.pauses.pop(0)
            self.cursor = max(self.cursor, pause.at) + minutes(pause.minutes)
        self.cursor = max(self.cursor, now or self.cursor)
        return self.cursor > before


def _was_taken(pause: Pause, free_from: datetime, entered_at: datetime) -> bool:
    """Whether the gap before somebody came in was this break."""
    begins = max(free_from, pause.at)
    return (entered_at - begins).total_seconds() >= TAKEN_SHARE * pause.minutes * 60


def _stay(plan: DayPlan, turn: TurnFacts) -> timedelta:
    return minutes(plan.minutes * (1 + turn.extra_percent / 100))


def _ends(plan: DayPlan, turn: TurnFacts, entered_at: datetime, now: datetime | None) -> datetime:
    """When somebody who came in left, or will have left."""
    if turn.left_at is not None:
        return turn.left_at
    ends = entered_at + _stay(plan, turn)
    return max(ends, now) if now is not None else ends


def _next(plan: DayPlan, room: _Room, free_at: dict[str, datetime], now: datetime | None) -> TurnFacts | None:
    """Who comes into the room when it is free next, or None while everybody left is busy elsewhere."""
    able = (t for t in room.waiting if free_at.get(t.person, room.cursor) <= room.cursor)
    first = next(able, None)
    if first is None or first.here or now is None or room.cursor - now > minutes(plan.warm_up_minutes):
        return first
    return next((t for t in able if t.here), first)


def _staged(found: dict[str, PlannedTurn], here: set[str], now: datetime) -> dict[str, PlannedTurn]:
    """Who is next in each room and who should warm up, of those who are here."""
    on_deck: set[str | None] = set()
    staged = dict(found)
    for turn in sorted((t for t in found.values() if t.stage == "waits"), key=lambda t: t.plays_at or now):
        if turn.candidate_id not in here:
            continue
        if turn.room_id not in on_deck:
            on_deck.add(turn.room_id)
            staged[turn.candidate_id] = replace(turn, stage="on deck")
        elif turn.warm_up_at is not None and turn.warm_up_at <= now:
            staged[turn.candidate_id] = replace(turn, stage="warm up")
    return staged
