"""A planned and drawn day with several rooms, its clock in the test's hand."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from api_hall import full_marks, join, ok

from app.domain.ids import new_id

RECIPE = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}
START = datetime.fromisoformat("2026-03-14T09:00-06:00")


@dataclass
class Clock:
    """The server's clock, as the day goes by it."""

    now: datetime = START - timedelta(hours=1)

    def __call__(self) -> datetime:
        return self.now

    def to(self, clock: str) -> None:
        self.now = datetime.fromisoformat(f"2026-03-14T{clock}-06:00")


@dataclass
class Day:
    """One audition on its day."""

    leader: Any
    clock: Clock
    audition_id: str
    round_id: str
    piece_ids: list[str]
    rooms: dict[str, str]  # name -> id
    tablets: dict[str, Any]  # by room's name, and "door"
    entries: list[dict[str, Any]] = field(default_factory=list)

    def door(self) -> dict[str, Any]:
        return ok(self.tablets["door"].get("/api/door"))

    def turns(self) -> dict[str, dict[str, Any]]:
        """The door's lines by candidate id."""
        return {line["turn"]["candidate_id"]: line for line in self.door()["turns"]}

    def order(self) -> list[str]:
        return [line["turn"]["candidate_id"] for line in self.door()["turns"]]

    def deed(self, candidate_id: str, deed: str, tablet: str = "door", **more: Any) -> Any:
        return self.tablets[tablet].post(f"/api/candidates/{candidate_id}/turn", json={"deed": deed, **more})

    def check_in(self, candidate_id: str, reason: str = "") -> Any:
        return self.tablets["door"].post(f"/api/candidates/{candidate_id}/check-in", json={"reason": reason})


def seats(day: Day, browser: Callable[..., Any]) -> dict[str, Any]:
    """The panel's tablets by letter."""
    panel = ok(day.leader.get(f"/api/auditions/{day.audition_id}/adjudicators"))
    return {a["letter"]: join(browser, ok(day.leader.post(f"/api/adjudicators/{a['id']}/link"))) for a in panel}


def send_sheet(tablet: Any, candidate_id: str, piece_ids: list[str], value: int) -> Any:
    body = {"version_id": new_id(), "marks": full_marks(piece_ids, value), "remarks": []}
    return tablet.post(f"/api/panel/candidates/{candidate_id}/sheet/submit", json=body)


def clock_of(iso: str | None) -> str | None:
    return None if iso is None else datetime.fromisoformat(iso).astimezone(START.tzinfo).strftime("%H:%M")


def make_day(
    leader: Any,
    browser: Callable[..., Any],
    app: Any,
    students: list[dict[str, Any]],
    *,
    rooms: tuple[str, ...] = ("Choir room", "Stage"),
    adjudicators: tuple[str, ...] = ("Adalbert Mockridge", "Xylander Thrum"),
    pieces: tuple[str, ...] = ("Scale",),
    sight_reading: dict[str, Any] | None = None,
    plan: dict[str, Any] | None = None,
    seats: int | None = 2,
    round_more: dict[str, Any] | None = None,
    before_draw: Callable[[str], None] = lambda base: None,
) -> Day:
    clock = Clock()
    app.state.resources = replace(app.state.resources, clock=clock)
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    base = f"/api/auditions/{audition}"
    piece_ids = [
        ok(leader.post(f"{base}/pieces/generated", json={"recipe": RECIPE, "title": title}))["id"] for title in pieces
    ]
    if sight_reading is not None:
        wanted = {"recipe": sight_reading, "title": "Sight-reading"}
        piece_ids.append(ok(leader.post(f"{base}/pieces/sight-reading", json=wanted))["id"])
    entries = [
        ok(leader.post(f"{base}/roster", json={"instrument": "clarinet-bb", "consent_on": "2026-03-01", **line}))
        for line in students
    ]
    for name in adjudicators:
        ok(leader.post(f"{base}/adjudicators", json={"name": name}))
    made = {name: ok(leader.post(f"{base}/rooms", json={"name": name}))["id"] for name in rooms}
    before_draw(base)
    ok(leader.post(f"{base}/rule/declare"))
    wanted = {"name": "First round", "seats": seats, **(round_more or {})}
    round_id = ok(leader.post(f"{base}/rounds", json=wanted))["id"]
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    ok(leader.post(f"/api/rounds/{round_id}/draw"))
    day = {"starts_at": START.isoformat(), "minutes": 8, "change_minutes": 2, **(plan or {})}
    ok(leader.put(f"/api/rounds/{round_id}/day", json=day))
    ok(leader.post(f"/api/rounds/{round_id}/day/announce"))
    tablets = {"door": join(browser, ok(leader.post(f"{base}/proctor-link", json={"label": "Door"})))}
    for name, room_id in made.items():
        tablets[name] = join(browser, ok(leader.post(f"{base}/proctor-link", json={"room_id": room_id})))
    return Day(leader, clock, audition, round_id, piece_ids, made, tablets, entries)
