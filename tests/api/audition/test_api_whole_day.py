"""A whole Saturday through the public API: thirty numbers, two rooms, five adjudicators, and whatever goes wrong.

What happens is drawn from a seed. After every step an adjudicator's tablet and the second person's device look at
everything that is theirs and knock at doors that are not, those of the candidate of that step among them; between the
parts of the day all five tablets go round every door. No answer may hold a name. In the evening the books agree.
"""

import heapq
import io
import random
from collections import Counter
from datetime import timedelta
from itertools import pairwise
from statistics import mean
from typing import Any

import pytest
from api_hall import full_marks, join, ok, tagged_wav
from day_hall import Day, make_day, seats
from pypdf import PdfReader

from app.domain.ids import new_id
from app.services import verifying

SEED = 20260314
FIRST = ("Zenobia", "Ottokar", "Merla", "Bartholomew", "Ysolde", "Çağrı", "Иван", "Philomena", "Thaddeus", "Wilhelmina",
         "Ignatius", "Rosamund", "Leopold", "Euphemia")  # fmt: skip
LAST = ("Quillfeather", "Vandersloot")
JUDGES = ("Adalbert Mockridge", "Xylander Thrum", "Brunhilde Ostrowska", "Cy Lundgren", "Ephraim Gallowglass")
SOUND = tagged_wav("somebody", 1.6)
SIGHT = {"tonic": "G", "bars": 4, "metre": "3/4", "tempo_bpm": 90, "instrument": "clarinet-bb"}
PRINTED = ("slips", "door-list", "schedule", "script")
KNOCKS = ("/api/door", "/api/room", "/api/uploads", "/api/check", "/api/auditions", "/api/metrics")
#: Doors of leader, room and student, for candidate {c}, piece {p}, take {t}, audition {a} and round {r}.
DOORS = (
    "/api/candidates/{c}/audit", "/api/candidates/{c}/comment-sheet.pdf", "/api/candidates/{c}/sight-reading/{p}",
    "/api/takes/{t}/playback", "/api/takes/{t}/findings", "/api/auditions/{a}/roster", "/api/auditions/{a}/audit",
    "/api/auditions/{a}/recusals", "/api/auditions/{a}/recordings", "/api/rounds/{r}", "/api/rounds/{r}/standing",
    "/api/rounds/{r}/marks.csv", "/api/rounds/{r}/progress", "/api/rounds/{r}/absences", "/api/rounds/{r}/paper",
    "/api/rounds/{r}/section", "/api/student",
)  # fmt: skip


def students() -> list[dict[str, Any]]:
    """28 students, two of them on two instruments: thirty numbers."""
    people = [{"name": f"{first} {last}", "school": "Wobblewick Academy"} for last in LAST for first in FIRST]
    people[3]["teacher"] = "Xylander Thrum"
    people[9] |= {"accommodation": "enlarged print, braille", "extra_time_percent": 50, "enlarged_music": True}
    return [
        *people,
        *({"name": people[i]["name"], "school": "Wobblewick Academy", "instrument": "bass-clarinet"} for i in (0, 5)),
    ]


class Watched:
    """A device whose every answer is read for names."""

    def __init__(self, visitor: Any, secrets: list[str]) -> None:
        self._visitor, self._secrets, self.answers = visitor, secrets, 0

    def request(self, method: str, path: str, **options: Any) -> Any:
        reply = self._visitor.request(method, path, **options)
        text = f"{reply.text} {reply.headers}".casefold()
        assert not [word for word in self._secrets if word in text], (method, path)
        assert reply.status_code < 500, reply.text
        self.answers += reply.status_code == 200
        return reply

    def get(self, path: str, **options: Any) -> Any:
        return self.request("GET", path, **options)

    def post(self, path: str, **options: Any) -> Any:
        return self.request("POST", path, **options)


class Saturday:
    """The day as it is lived; ``chance`` decides what goes wrong."""

    def __init__(self, day: Day, panel: dict[str, Watched], checker: Watched, chance: random.Random) -> None:
        self.day, self.panel, self.checker, self.chance = day, panel, checker, chance
        self.steps = 0
        self.takes: dict[str, list[str]] = {}  # by candidate, the last one counts
        self.events: Counter[str] = Counter()
        self.spoilt = ["equipment", "noise", "injury"]  # what still spoils a take today
        self.on_paper: dict[str, Any] = {}  # what adjudicator E wrote, by candidate
        self.read: dict[str, str] = {}  # the notes each candidate read at sight
        self.knocked: Counter[str] = Counter()
        self.at_hand = ""  # the candidate of this step

    def after(self) -> None:
        """What an adjudicator and the second person could learn after this step: nothing."""
        self.steps += 1
        self._knock(self.panel["ABCDE"[self.steps % 5]], DOORS[self.steps % len(DOORS)])
        tablet = self.panel["ABCDE"[self.steps % 5]]
        for candidate in ok(tablet.get("/api/panel"))["candidates"]:
            assert set(candidate) == {"candidate_id", "blind_number", "state", "takes", "restarts", "practice"}
        knock = KNOCKS[self.steps % len(KNOCKS)]
        assert tablet.get(knock).status_code in (401, 403)
        if self.steps % 4 == 0:
            ok(self.checker.get("/api/check"))
        printed = PRINTED[self.steps % 4]
        assert tablet.get(f"/api/rounds/{self.day.round_id}/{printed}.pdf").status_code == 403

    def _knock(self, device: Watched, door: str) -> None:
        take = self.takes.get(self.at_hand, [new_id()])[-1]
        ids = {"c": self.at_hand or new_id(), "p": self.day.piece_ids[-1], "t": take}
        reply = device.get(door.format(**ids, a=self.day.audition_id, r=self.day.round_id))
        assert reply.status_code in (401, 403), door
        self.knocked[door] += 1

    def go_round(self) -> None:
        """All five tablets and the second person at every door, and at everything that is the panel's own."""
        for device in (*self.panel.values(), self.checker):
            for door in (*KNOCKS, *DOORS, *(f"/api/rounds/{{r}}/{one}.pdf" for one in PRINTED)):
                if not (device is self.checker and door == "/api/check"):
                    self._knock(device, door)
        for tablet in self.panel.values():
            seen = ok(tablet.get("/api/panel"))["candidates"]
            for candidate in self.chance.sample(seen, 4):
                tablet.get(f"/api/panel/candidates/{candidate['candidate_id']}/sheet")
                for take in candidate["takes"]:
                    tablet.get(f"/api/panel/takes/{take['take_id']}/peaks")
                    tablet.get(f"/api/panel/takes/{take['take_id']}/findings")
            tablet.get(f"/api/panel/pieces/{self.day.piece_ids[-1]}/music")

    def do(self, reply: Any) -> Any:
        found = ok(reply)
        self.after()
        return found

    def state(self, candidate: str, state: str, reason: str) -> None:
        self.do(self.day.tablets["door"].patch(f"/api/candidates/{candidate}", json={"state": state, "reason": reason}))
        self.events[state] += 1

    def morning(self) -> list[str]:
        """Check-in: some are absent, one has withdrawn, one never comes, some are late. Returns who comes late."""
        day = self.day
        order = day.order()
        large = {c for c, line in day.turns().items() if line["enlarged_music"]}
        missing = self.chance.sample([c for c in order if c not in large], 4)  # the draw itself is not seeded
        self.state(missing[0], "absent", "ill, the family called")
        self.state(missing[1], "absent", "ill as well")
        self.state(missing[2], "withdrawn", "changed their mind")
        late = self.chance.sample([c for c in order[10:] if c not in missing], 2)
        day.clock.to("08:25")
        for candidate in order:
            if candidate not in missing and candidate not in late:
                self.do(day.check_in(candidate))
        return late

    def record(self, candidate: str, room: str) -> None:
        """One candidate reads and plays; now and then something spoils a take, or is begun again."""
        tablet = self.day.tablets[room]
        self.at_hand = candidate
        for piece in self.day.piece_ids:
            self._study(tablet, candidate, piece)
            if self.chance.random() < 0.15 or len(self.read) == 5:
                body = {"id": new_id(), "piece_id": piece}
                self.do(tablet.post(f"/api/candidates/{candidate}/restarts", json=body))
                self.events["restart"] += 1
                if self.events["restart"] == 1:  # counted by mistake; the door takes it back
                    self.do(self.day.tablets["door"].delete(f"/api/restarts/{body['id']}"))
                    self.do(tablet.post(f"/api/candidates/{candidate}/restarts", json={**body, "id": new_id()}))
            self._take(tablet, candidate, piece)
            if self.spoilt and self.chance.random() < 0.3:
                cause = self.spoilt.pop()
                body = {"cause": cause, "reason": f"{cause}, said the proctor"}
                self.do(tablet.post(f"/api/takes/{self.takes[candidate][-1]}/void", json=body))
                self._take(tablet, candidate, piece)
                self.events["re-take"] += 1

    def _study(self, tablet: Any, candidate: str, piece: str) -> None:
        """The seal holds until the study time; for enlarged music the sheet is printed first."""
        address = f"/api/candidates/{candidate}/sight-reading/{piece}"
        shown = ok(tablet.get(address))
        assert (shown["sealed"], shown["svg"]) == (True, None)
        line = self.day.turns()[candidate]
        if line["enlarged_music"]:
            pdf = PdfReader(io.BytesIO(tablet.post(f"{address}/sheet.pdf").content))
            text = " ".join(page.extract_text() for page in pdf.pages) + str(pdf.metadata)
            assert line["turn"]["blind_number"] in text
            assert not [part for part in line["name"].split() if part in text]
            self.events["printed large"] += 1
            self.after()
        if not self.read:  # somebody is too fast: nothing is taken in before the study time
            form = {"id": new_id(), "candidate_id": candidate, "piece_id": piece}
            refused = tablet.post("/api/takes", data=form, files={"file": ("take.wav", SOUND, "audio/wav")})
            assert refused.status_code == 409
        self.read[candidate] = self.do(tablet.post(f"{address}/begin"))["svg"]

    def _take(self, tablet: Any, candidate: str, piece: str) -> None:
        take_id = new_id()
        form = {"id": take_id, "candidate_id": candidate, "piece_id": piece}
        self.do(tablet.post("/api/takes", data=form, files={"file": ("Zenobia.wav", SOUND, "audio/wav")}))
        self.takes.setdefault(candidate, []).append(take_id)

    def hear_everybody(self, late: list[str]) -> None:
        """Both rooms side by side until nobody waits; a fire drill, somebody faint, somebody sent to the other room."""
        day, names = self.day, {room_id: name for name, room_id in self.day.rooms.items()}
        inside: list[tuple[Any, str, str]] = []  # when they go out, candidate, room
        heard = 0
        while True:
            view = day.door()
            busy = {room for _, _, room in inside}
            for line in view["turns"]:
                turn = line["turn"]
                room = names[turn["room_id"]]
                if turn["stage"] == "on deck" and room not in busy:
                    self.do(day.deed(turn["candidate_id"], "call"))
                    self.do(day.deed(turn["candidate_id"], "enter", room))
                    stays = timedelta(minutes=self.chance.uniform(6, 12))
                    heapq.heappush(inside, (day.clock.now + stays, turn["candidate_id"], room))
                    busy.add(room)
            if not inside:
                if late:
                    self._come_late(late.pop())
                    continue
                assert view["counts"]["here"] == view["counts"]["played"], view["sentence"]
                return
            day.clock.now, candidate, room = heapq.heappop(inside)
            self.record(candidate, room)
            self.do(day.deed(candidate, "leave", room))
            heard += 1
            if heard == 6:
                body = {"minutes": 15, "what": "Fire drill"}
                self.do(day.tablets["door"].post(f"/api/rounds/{day.round_id}/pauses", json=body))
            if heard == 9:
                waiting = [t["turn"]["candidate_id"] for t in day.door()["turns"] if t["turn"]["stage"] == "waits"]
                faint, moved = self.chance.sample(waiting, 2)
                self.do(day.deed(faint, "put-back", reason="felt faint"))
                other = next(i for n, i in day.rooms.items() if i != day.turns()[moved]["turn"]["room_id"])
                self.do(day.deed(moved, "move", room_id=other))
            if heard == 12:
                while late:
                    self._come_late(late.pop())
                closed = day.tablets["door"].post(f"/api/rounds/{day.round_id}/close-check-in")
                self.events["no-show"] += self.do(closed)["no_shows"]

    def _come_late(self, candidate: str) -> None:
        deadline = self.day.turns()[candidate]["turn"]["check_in_by"]
        self.day.clock.now = max(self.day.clock.now, self.day.clock.now.fromisoformat(deadline) + timedelta(minutes=3))
        assert self.day.check_in(candidate).status_code == 422  # not without the reason
        self.do(self.day.check_in(candidate, "the bus stood in the snow"))
        self.events["late"] += 1


@pytest.mark.slow
def test_a_saturday_ends_with_consistent_books(leader, browser, app, held):
    chance = random.Random(SEED)
    people = students()
    plan = {"restarts": "one", "pauses": [{"at": "2026-03-14T10:30-06:00", "minutes": 20, "what": "Break"}]}
    day = make_day(
        leader,
        browser,
        app,
        people,
        adjudicators=JUDGES,
        pieces=(),
        sight_reading=SIGHT,
        plan=plan,
        seats=6,
        round_more={"second_check": True},
        before_draw=lambda base: declare_own_pupils(leader, base),
    )
    words = {part for person in people for part in person["name"].split()} | {"Wobblewick", "braille", "Mockridge"}
    secrets = sorted(word.casefold() for word in words) + [
        e[k] for e in day.entries for k in ("entry_id", "student_id")
    ]
    panel = {letter: Watched(tablet, secrets) for letter, tablet in seats(day, browser).items()}
    checker = Watched(join(browser, ok(leader.post(f"/api/auditions/{day.audition_id}/checker-link"))), secrets)
    lived = Saturday(day, panel, checker, chance)

    late = lived.morning()
    lived.go_round()
    day.clock.to("09:00")
    lived.hear_everybody(late)
    lived.go_round()
    marks = judge(lived)
    second_person(lived)
    lived.go_round()
    opened = ok(leader.post(f"/api/rounds/{day.round_id}/open", json={"reason": "nothing is measured in this test"}))
    for _ in range(5):
        lived.after()
    lived.go_round()

    check_the_books(lived, marks, opened, people)
    with held.database.read() as session:
        assert [p for check in verifying.verify(session, held.store) for p in check.problems] == []
    assert lived.steps > 150
    assert lived.events["re-take"] == 3
    assert lived.events["late"] == 2
    assert lived.events["no-show"] == 1
    assert lived.events["restart"] > 0
    assert lived.events["printed large"] == 1
    assert all(tablet.answers > 20 for tablet in panel.values())
    assert all(lived.knocked[door] >= 4 * 6 for door in DOORS)


def declare_own_pupils(leader: Any, base: str) -> None:
    own = ok(leader.get(f"{base}/recusals/proposed"))
    assert [(r["letter"], r["student_name"]) for r in own] == [("B", "Bartholomew Quillfeather")]
    body = {"adjudicator_id": own[0]["adjudicator_id"], "entry_id": own[0]["entry_id"], "reason": own[0]["reason"]}
    ok(leader.post(f"{base}/recusals", json=body))


def judge(lived: Saturday) -> dict[tuple[str, str], int]:
    """Sheets come in: D was away for five numbers, C knows one player, E's tablet dies and E writes on paper."""
    day, panel, chance = lived.day, lived.panel, lived.chance
    ids = {a["letter"]: a["id"] for a in ok(day.leader.get(f"/api/auditions/{day.audition_id}/adjudicators"))}
    numbers = [c for c in ok(panel["A"].get("/api/panel"))["candidates"] if c["takes"]]
    heard = [c["candidate_id"] for c in numbers]
    away = {"adjudicator_id": ids["D"], "candidate_ids": heard[5:10], "reason": "a train"}
    lived.do(day.leader.post(f"/api/rounds/{day.round_id}/absences", json=away))
    known = chance.choice(heard)
    lived.do(panel["C"].post(f"/api/panel/candidates/{known}/sheet/recuse"))
    marks: dict[tuple[str, str], int] = {}
    bundle = []
    for candidate in heard:
        level = chance.randint(3, 8)
        for letter, tablet in panel.items():
            state = ok(tablet.get(f"/api/panel/candidates/{candidate}/sheet"))["state"]
            if state in ("recused", "away"):
                continue
            value = level + chance.randint(-1, 1)
            marks[(letter, candidate)] = value
            body = {"version_id": new_id(), "marks": full_marks(day.piece_ids, value), "remarks": []}
            if letter == "E":
                bundle.append({**body, "adjudicator_id": ids["E"], "candidate_id": candidate})
            else:
                ok(tablet.post(f"/api/panel/candidates/{candidate}/sheet/submit", json=body))
        lived.after()
    corrected = heard[0]
    marks[("A", corrected)] = 9
    body = {
        "version_id": new_id(),
        "marks": full_marks(day.piece_ids, 9),
        "remarks": [],
        "reason": "heard it once more",
    }
    lived.do(panel["A"].post(f"/api/panel/candidates/{corrected}/sheet/correct", json=body))
    body = {"bundle_id": new_id(), "sheets": bundle, "share_percent": 20}
    lived.do(day.leader.post(f"/api/rounds/{day.round_id}/paper", json=body))
    lived.on_paper = {(s["candidate_id"]): s["marks"] for s in bundle}
    return marks


def second_person(lived: Saturday) -> None:
    """Reads the chosen sheets once more, then confirms the tabulation. Before that nothing can be opened."""
    day, checker = lived.day, lived.checker
    refused = day.leader.post(f"/api/rounds/{day.round_id}/open", json={"reason": "x"})
    assert refused.status_code == 409
    typed = {s["sheet_id"]: s for s in ok(day.leader.get(f"/api/rounds/{day.round_id}/paper"))}
    for sheet in ok(checker.get("/api/check"))["to_check"]:
        marks = lived.on_paper[typed[sheet["sheet_id"]]["candidate_id"]]
        assert lived.do(checker.post(f"/api/check/sheets/{sheet['sheet_id']}", json={"marks": marks}))["agrees"]
    [tabulation] = ok(checker.get("/api/check"))["tabulations"]
    body = {"hash": tabulation["hash"], "person": "Hester Lovelace"}
    lived.do(checker.post(f"/api/check/rounds/{day.round_id}/confirm", json=body))


def check_the_books(lived: Saturday, marks: dict, opened: dict, people: list[dict[str, Any]]) -> None:
    day = lived.day
    room = ok(day.leader.get(f"/api/room?audition_id={day.audition_id}"))["candidates"]
    # Every candidate is accounted for: heard with every piece, or not there with a reason, and nothing between.
    assert len(room) == len(people) == 30
    states = Counter(c["state"] for c in room)
    assert states == {"heard": 26, "absent": 2, "withdrawn": 1, "no-show": 1}
    heard = {c["candidate_id"]: c for c in room if c["state"] == "heard"}
    for candidate in room:
        kept = [t["piece_id"] for t in candidate["takes"] if t["state"] == "kept"]
        voided = [t for t in candidate["takes"] if t["state"] == "voided"]
        assert sorted(kept) == (sorted(day.piece_ids) if candidate["candidate_id"] in heard else [])
        assert all(t["void_cause"] and t["void_reason"] for t in voided)
        assert [t["take_id"] for t in candidate["takes"]] == lived.takes.get(candidate["candidate_id"], [])
        assert bool(candidate["state_reason"]) or candidate["candidate_id"] in heard
    assert sum(t["state"] == "voided" for c in room for t in c["takes"]) == 3
    # Two rooms, nobody in one of them together with somebody else, no student in both at once.
    by_room: dict[str, list] = {}
    by_name: dict[str, list] = {}
    for candidate in heard.values():
        by_room.setdefault(candidate["room_id"], []).append((candidate["entered_at"], candidate["left_at"]))
        by_name.setdefault(candidate["name"], []).append((candidate["entered_at"], candidate["left_at"]))
    assert set(by_room) == set(day.rooms.values())
    for turns in (*by_room.values(), *by_name.values()):
        assert all(out <= comes for (_, out), (comes, _) in pairwise(sorted(turns)))
    # Every sheet is in or missing for a reason, and the standing is the mean of what is there.
    progress = ok(day.leader.get(f"/api/rounds/{day.round_id}/progress"))
    cells = Counter(w for c in progress["candidates"] if c["candidate_id"] in heard for w in c["sheets"].values())
    assert cells["submitted"] == len(marks)
    assert cells["away"] in (4, 5)
    assert sum(cells.values()) == 5 * 26
    assert set(cells) <= {"submitted", "away", "recused"}
    rows = {row["candidate_id"]: row for row in opened["rows"]}
    assert set(rows) == set(heard)
    for candidate, row in rows.items():
        given = [value for (_, of), value in marks.items() if of == candidate]
        assert row["total"] == pytest.approx(mean(given))
        assert row["name"] == heard[candidate]["name"]
    assert Counter(one["state"] for one in opened["not_heard"]) == {"absent": 2, "withdrawn": 1, "no-show": 1}
    # Every take and every sheet can be traced in the audit, and the audit names nobody.
    audit = ok(day.leader.get(f"/api/auditions/{day.audition_id}/audit"))
    entries = audit["entries"] if isinstance(audit, dict) else audit
    actions = Counter(entry["action"] for entry in entries)
    received = {entry["subject"] for entry in entries if entry["action"] == "take-received"}
    assert received == {take for takes in lived.takes.values() for take in takes}
    assert (actions["sheet-submitted"], actions["sheet-corrected"]) == (len(marks), 1)
    assert (actions["take-voided"], actions["tabulation-confirmed"], actions["opened"]) == (3, 1, 1)
    assert not [person for person in people if person["name"] in str(entries)]
    # Everybody who was heard read at sight, and nobody on two instruments the same notes twice.
    assert set(lived.read) == set(heard)
    unsealed = {entry["subject"] for entry in entries if entry["action"] == "study-time-began"}
    assert unsealed == set(heard)
    for own in by_name:
        notes = [lived.read[c] for c in heard if heard[c]["name"] == own]
        assert len(set(notes)) == len(notes)
    # What was begun again stands with the candidate as often as it was counted and not taken back.
    assert sum(sum(c["restarts"].values()) for c in room) == lived.events["restart"]
    assert (actions["restarted"], actions["restart-taken-back"]) == (lived.events["restart"] + 1, 1)
