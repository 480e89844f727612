"""A day on one recorder through the public API: sent, cut, looked at, changed, confirmed, removed; never a panel's."""

import io
import threading
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import numpy as np
import pdfplumber
import pytest
import soundfile
from api_hall import join, ok
from rendered_day import Day, arpeggio, scale
from sqlmodel import select

from app.db.identities import TakeOrigin
from app.db.models import DayCut, DayRecording, Job, Take
from app.domain.ids import new_id
from app.jobs.worker import Worker
from app.services import day_cutting, retention, storing, verifying
from app.services.ledger import DatabaseLedger

STARTED = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
NAMES = ("Zenobia Quillfeather", "Çağrı Umlautöğlu", "Иван Кларнетов")
PART = 2 * 2**20


@pytest.fixture(scope="module")
def day() -> Day:
    """Three candidates, two pieces each: the first begins twice, the last plays one piece only. 100 seconds."""
    made = Day(np.random.default_rng(11))
    one, two = scale("F"), arpeggio("D")
    made.quiet(1.5)
    made.talk(2.5)
    made.quiet(1.5)
    made.take("1", "one", one, until=0.6)
    made.quiet(3.0)
    for number in ("1", "2", "3"):
        made.take(number, "one", one)
        made.quiet(3.0)
        if number != "3":
            made.take(number, "two", two)
            made.quiet(3.0)
            made.talk(2.0)
        made.quiet(3.0)
    return made


@dataclass
class Room:
    leader: Any
    proctor: Any
    panel: Any
    audition_id: str
    round_id: str
    pieces: list[str]
    candidates: list[dict[str, Any]]  # in the order of playing
    held: Any

    def send(self, sound: bytes, recording_id: str | None = None, **more: Any) -> httpx.Response:
        """Send a long file in parts and finish; the reply of the last step, or of the first that was refused."""
        address = f"/api/day-recordings/{recording_id or new_id()}"
        body = {"round_id": self.round_id, "size_bytes": len(sound), **more}
        begun = self.proctor.put(address, json=body)
        if begun.status_code != 200:
            return begun
        for seq in range(-(-len(sound) // PART)):
            if seq not in begun.json()["parts"]:
                ok(self.proctor.put(f"{address}/parts/{seq}", content=sound[seq * PART : (seq + 1) * PART]))
        return self.proctor.post(f"{address}/finish", json=body)

    def work(self) -> None:
        """Do the jobs that wait for cutting, as a worker does."""
        tasks = {day_cutting.KIND: day_cutting.CutDayRecording(self.held.database, self.held.store)}
        ledger = DatabaseLedger(self.held.database)
        Worker("test", ledger, tasks, lambda: False, lease_sec=60.0, idle=lambda sec: None).run_one()

    def cut(self, sound: bytes, **more: Any) -> dict[str, Any]:
        recording_id = ok(self.send(sound, **more))["line"]["recording_id"]
        self.work()
        return ok(self.proctor.get(f"/api/day-recordings/{recording_id}"))


@pytest.fixture
def room(leader: Any, browser: Any, held: Any) -> Room:
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    base = f"/api/auditions/{audition}"
    recipes = (
        {"kind": "scale", "tonic": "F", "mode": "major", "octaves": 1, "tempo_bpm": 96},
        {"kind": "arpeggio", "tonic": "D", "mode": "minor", "octaves": 2, "tempo_bpm": 80},
    )
    pieces = [
        ok(
            leader.post(
                f"{base}/pieces/generated",
                json={"recipe": {**recipe, "rhythm": "eighths", "instrument": "clarinet-bb"}, "title": title},
            )
        )["id"]
        for recipe, title in zip(recipes, ("F scale", "D arpeggio"), strict=True)
    ]
    for name in NAMES:
        ok(leader.post(f"{base}/roster", json={"name": name, "instrument": "clarinet-bb", "consent_on": "2026-03-01"}))
    judge = ok(leader.post(f"{base}/adjudicators", json={"name": "Adalbert Mockridge"}))
    ok(leader.post(f"{base}/rule/declare"))
    round_id = ok(leader.post(f"{base}/rounds", json={"name": "First round", "seats": 1}))["id"]
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    ok(leader.post(f"/api/rounds/{round_id}/draw"))
    proctor = join(browser, ok(leader.post(f"{base}/proctor-link")))
    panel = join(browser, ok(leader.post(f"/api/adjudicators/{judge['id']}/link")))
    candidates = ok(proctor.get("/api/room"))["candidates"]
    return Room(leader, proctor, panel, audition, round_id, pieces, candidates, held)


def playing(shown: dict[str, Any]) -> list[dict[str, Any]]:
    return [cut for cut in shown["cuts"] if cut["kind"] == "playing"]


def takes(room: Room) -> list[Take]:
    with room.held.database.read() as session:
        return list(session.exec(select(Take)).all())


def hears(shown: dict[str, Any], day: Day) -> None:
    """Every planted stretch of playing has one cut that holds it and little more."""
    planted = [event for event in day.events if event.kind in ("take", "false start")]
    cuts = playing(shown)
    assert len(cuts) == len(planted)
    for cut, event in zip(cuts, planted, strict=True):
        assert event.start_sec - 1.2 <= cut["start_sec"] <= event.start_sec + 0.06
        assert event.end_sec - 0.25 <= cut["end_sec"] <= event.end_sec + 1.3


@pytest.mark.both_engines
@pytest.mark.slow
def test_a_day_is_cut_proposed_confirmed_and_its_takes_are_takes_like_any(room, day):
    sound = day.wav()
    waiting = ok(room.send(sound, started_at=STARTED.isoformat()))
    assert (waiting["line"]["state"], waiting["cuts"]) == ("queued", [])
    room.work()
    recording_id = waiting["line"]["recording_id"]
    shown = ok(room.proctor.get(f"/api/day-recordings/{recording_id}"))
    assert shown["line"]["state"] == "ready"
    hears(shown, day)
    assert sum(cut["kind"] == "talk" for cut in shown["cuts"]) == 3
    numbers = [c["candidate_id"] for c in room.candidates]
    assert [(numbers.index(c["candidate_id"]), room.pieces.index(c["piece_id"])) for c in playing(shown)] == [
        (0, 0),
        (0, 0),
        (0, 1),
        (1, 0),
        (1, 1),
        (2, 0),
    ]
    assert [c["repeated"] for c in playing(shown)] == [True, False, False, False, False, False]
    assert {c["word"] for c in playing(shown)} <= {"sure", "likely"}
    assert takes(room) == []  # nothing is anybody's yet
    here = [(c["candidate_id"], c["blind_number"], c["name"]) for c in room.candidates]  # the proctor sees names
    assert [(c["candidate_id"], c["blind_number"], c["name"]) for c in shown["candidates"]] == here
    assert here[0][2] in NAMES
    assert all(c["recorded"] == [] for c in shown["candidates"])

    first, whole = playing(shown)[:2]
    ok(room.proctor.patch(f"/api/day-cuts/{first['cut_id']}", json={"edition": first["edition"], "state": "set aside"}))
    done = ok(room.proctor.post(f"/api/day-cuts/{whole['cut_id']}/confirm", json={"edition": whole["edition"]}))
    again = ok(room.proctor.post(f"/api/day-cuts/{whole['cut_id']}/confirm", json={"edition": whole["edition"]}))
    take_id = done["outcomes"][0]["take_id"]
    assert again["day"]["candidates"][0]["recorded"] == [room.pieces[0]]
    assert again["outcomes"][0]["take_id"] == take_id
    [take] = takes(room)
    assert (take.id, take.candidate_id, take.piece_id) == (take_id, numbers[0], room.pieces[0])
    assert take.duration_sec == pytest.approx(whole["end_sec"] - whole["start_sec"], abs=0.01)
    with room.held.database.read() as session:
        assert session.get_one(TakeOrigin, take_id).via == "day recording"
        assert session.exec(select(Job.kind).where(Job.subject == take_id)).all() == ["measure-take"]
        original, rate = soundfile.read(io.BytesIO(sound), dtype="int16")
        cut, cut_rate = soundfile.read(io.BytesIO(room.held.store.read(take.sha256)), dtype="int16")
    start = round(whole["start_sec"] * rate)
    assert cut_rate == rate
    np.testing.assert_array_equal(cut, original[start : start + cut.size])  # sample by sample

    for number in numbers:
        ok(room.proctor.post(f"/api/day-recordings/{recording_id}/confirm", json={"candidate_id": number}))
    assert len(takes(room)) == 5
    shown = ok(room.proctor.get(f"/api/day-recordings/{recording_id}"))
    assert [c["state"] for c in playing(shown)] == ["set aside"] + ["confirmed"] * 5
    heard = ok(room.proctor.get("/api/room"))["candidates"]
    assert [c["state"] for c in heard] == ["heard", "heard", "present"]
    entered = datetime.fromisoformat(heard[1]["entered_at"])
    planted = next(e for e in day.events if e.candidate == "2")
    assert entered == pytest.approx(STARTED + timedelta(seconds=planted.start_sec), abs=timedelta(seconds=1.3))
    audit = ok(room.leader.get(f"/api/auditions/{room.audition_id}/audit"))
    assert not any(name in str(audit) for name in NAMES)

    assert room.proctor.post(f"/api/day-recordings/{recording_id}/remove").status_code == 403
    gone = ok(room.leader.post(f"/api/day-recordings/{recording_id}/remove"))
    assert (gone["line"]["state"], gone["peaks"]) == ("removed", [])
    with room.held.database.read() as session:
        row = session.get_one(DayRecording, recording_id)
        assert not room.held.store.holds(row.sha256)
        assert [said for check in verifying.verify(session, room.held.store) for said in check.problems] == []


@pytest.mark.slow
def test_cuts_are_moved_split_joined_added_and_set_aside(room, day):
    shown = room.cut(day.wav())
    recording_id = shown["line"]["recording_id"]
    numbers = [c["candidate_id"] for c in room.candidates]
    before = playing(shown)

    def change(cut, **changes):
        return room.proctor.patch(f"/api/day-cuts/{cut['cut_id']}", json={"edition": cut["edition"], **changes})

    # Somebody says that the first whole take is the second number's: the others follow.
    moved = playing(ok(change(before[1], candidate_id=numbers[1], piece_id=room.pieces[0])))
    assert (moved[1]["candidate_id"], moved[1]["by_hand"]) == (numbers[1], True)
    assert [numbers.index(c["candidate_id"]) for c in moved[2:4]] == [1, 2]
    stale = change(before[1], end_sec=before[1]["end_sec"] + 1)
    assert (stale.status_code, stale.json()["error"]["code"]) == (409, "wrong_state")
    # Borders, a split, the two joined again, one added.
    cut = playing(ok(change(moved[1], start_sec=moved[1]["start_sec"] - 0.25)))[1]
    assert cut["start_sec"] == pytest.approx(moved[1]["start_sec"] - 0.25)
    middle, new = round((cut["start_sec"] + cut["end_sec"]) / 2, 2), new_id()
    body = {"edition": cut["edition"], "id": new, "at_sec": middle}
    for _ in range(2):  # sent again it is still one split
        parts = playing(ok(room.proctor.post(f"/api/day-cuts/{cut['cut_id']}/split", json=body)))
    assert [(c["start_sec"], c["end_sec"]) for c in parts[1:3]] == [
        (cut["start_sec"], middle),
        (middle, cut["end_sec"]),
    ]
    assert parts[2]["candidate_id"] is None
    reply = room.proctor.post(f"/api/day-cuts/{new}/confirm", json={"edition": parts[2]["edition"]})
    assert "Say whose" in reply.json()["error"]["sentence"]
    joined = playing(
        ok(room.proctor.post(f"/api/day-cuts/{cut['cut_id']}/join", json={"edition": parts[1]["edition"]}))
    )
    assert [(c["start_sec"], c["end_sec"]) for c in joined] == [
        (c["start_sec"] - (0.25 if at == 1 else 0), c["end_sec"]) for at, c in enumerate(before)
    ]
    added = new_id()
    for _ in range(2):
        more = ok(
            room.proctor.post(
                f"/api/day-recordings/{recording_id}/cuts", json={"id": added, "start_sec": 0.2, "end_sec": 1.4}
            )
        )
    assert [c["cut_id"] for c in more["cuts"]].count(added) == 1
    heard = room.proctor.get(f"/api/day-recordings/{recording_id}/sound?start_sec=1.5&end_sec=3")
    assert soundfile.info(io.BytesIO(heard.content)).duration == pytest.approx(1.5)
    # What is open keeps the long file, for one student as for all.
    open_cuts = room.leader.post(f"/api/day-recordings/{recording_id}/remove")
    assert "neither confirmed nor set aside" in open_cuts.json()["error"]["sentence"]
    aside = ok(room.proctor.post(f"/api/day-recordings/{recording_id}/set-aside"))
    assert (aside["line"]["open_cuts"], takes(room)) == (0, [])
    for bad, sentence in (
        ({"start_sec": 5.0, "end_sec": 5.1}, "half a second"),
        ({"start_sec": 0.0, "end_sec": 5000.0}, None),  # beyond the end: as far as there is sound
        ({"start_sec": 7000.0, "end_sec": 7100.0}, "inside the recording"),
    ):
        reply = room.proctor.post(f"/api/day-recordings/{recording_id}/cuts", json={"id": new_id(), **bad})
        assert (reply.status_code == 200) == (sentence is None), reply.text
        assert sentence is None or sentence in reply.json()["error"]["sentence"]


@pytest.mark.slow
def test_a_take_that_was_voided_frees_its_cut_for_another_number(room, day):
    shown = room.cut(day.wav())
    numbers = [c["candidate_id"] for c in room.candidates]
    cut = playing(shown)[1]
    take_id = ok(room.proctor.post(f"/api/day-cuts/{cut['cut_id']}/confirm", json={"edition": cut["edition"]}))[
        "outcomes"
    ][0]["take_id"]
    now = playing(ok(room.proctor.get(f"/api/day-recordings/{shown['line']['recording_id']}")))[1]
    back = {"edition": now["edition"], "state": "proposed"}
    refused = room.proctor.patch(f"/api/day-cuts/{cut['cut_id']}", json=back)
    assert "void the take" in refused.json()["error"]["sentence"]
    ok(room.proctor.post(f"/api/takes/{take_id}/void", json={"reason": "wrong number"}))
    free = playing(ok(room.proctor.patch(f"/api/day-cuts/{cut['cut_id']}", json=back)))[1]
    assert (free["state"], free["take_id"]) == ("proposed", None)
    moved = playing(
        ok(
            room.proctor.patch(
                f"/api/day-cuts/{cut['cut_id']}", json={"edition": free["edition"], "candidate_id": numbers[1]}
            )
        )
    )[1]
    second = ok(room.proctor.post(f"/api/day-cuts/{cut['cut_id']}/confirm", json={"edition": moved["edition"]}))
    assert second["outcomes"][0]["take_id"] != take_id
    assert sorted((take.state, take.candidate_id) for take in takes(room)) == sorted(
        [("voided", numbers[0]), ("kept", numbers[1])]
    )


@pytest.mark.both_engines
def test_two_who_confirm_at_once_make_one_take(room, day):
    shown = room.cut(day.wav())
    cut = playing(shown)[1]
    answers = []

    def confirm() -> None:
        answers.append(room.proctor.post(f"/api/day-cuts/{cut['cut_id']}/confirm", json={"edition": cut["edition"]}))

    threads = [threading.Thread(target=confirm) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({ok(answer)["outcomes"][0]["take_id"] for answer in answers}) == 1
    assert len(takes(room)) == 1


def test_no_panel_and_no_other_audition_reaches_any_of_it(room, day, browser):
    shown = room.cut(day.wav())
    recording_id, cut = shown["line"]["recording_id"], shown["cuts"][1]
    other = ok(room.leader.post("/api/auditions", json={"name": "Other", "held_on": "2026-04-01"}))["id"]
    stranger = join(browser, ok(room.leader.post(f"/api/auditions/{other}/proctor-link")))
    edition = {"edition": cut["edition"]}
    whole = {"round_id": room.round_id, "size_bytes": 10}
    for method, path, body in (
        ("GET", f"/api/day-recordings?round_id={room.round_id}", None),
        ("PUT", f"/api/day-recordings/{new_id()}", whole),
        ("POST", f"/api/day-recordings/{recording_id}/finish", whole),
        ("GET", f"/api/day-recordings/{recording_id}", None),
        ("PATCH", f"/api/day-recordings/{recording_id}", {}),
        ("POST", f"/api/day-recordings/{recording_id}/cut-again", None),
        ("POST", f"/api/day-recordings/{recording_id}/set-aside", None),
        ("POST", f"/api/day-recordings/{recording_id}/remove", None),
        ("GET", f"/api/day-recordings/{recording_id}/sound?start_sec=0&end_sec=1", None),
        ("POST", f"/api/day-recordings/{recording_id}/cuts", {"id": new_id(), "start_sec": 0, "end_sec": 2}),
        ("POST", f"/api/day-recordings/{recording_id}/confirm", {"candidate_id": room.candidates[0]["candidate_id"]}),
        ("PATCH", f"/api/day-cuts/{cut['cut_id']}", edition),
        ("POST", f"/api/day-cuts/{cut['cut_id']}/split", {**edition, "id": new_id(), "at_sec": 3}),
        ("POST", f"/api/day-cuts/{cut['cut_id']}/join", edition),
        ("POST", f"/api/day-cuts/{cut['cut_id']}/confirm", edition),
    ):
        assert room.panel.request(method, path, json=body).status_code == 403, path
        assert stranger.request(method, path, json=body).status_code in (403, 404), path
        assert browser().request(method, path, json=body).status_code == 401, path
    before = room.panel.get("/api/panel").json()
    assert all(candidate["takes"] == [] for candidate in before["candidates"])
    assert not any(word in str(before) for word in (recording_id, cut["cut_id"]))
    assert takes(room) == []


@pytest.mark.both_engines
def test_a_long_file_comes_in_parts_in_any_order_and_is_resumed(room):
    sound = Day(np.random.default_rng(3))
    sound.quiet(2.0)
    sound.talk(60.0)
    data, recording_id = sound.wav(), new_id()
    address = f"/api/day-recordings/{recording_id}"
    body = {"round_id": room.round_id, "size_bytes": len(data)}
    assert ok(room.proctor.put(address, json=body))["parts"] == []
    assert len(data) > PART
    ok(room.proctor.put(f"{address}/parts/1", content=data[PART:]))
    early = room.proctor.post(f"{address}/finish", json=body)
    assert (early.status_code, early.json()["error"]["facts"]["missing"]) == (409, [0])
    assert ok(room.proctor.put(address, json=body))["parts"] == [1]  # another device may go on
    [coming] = ok(room.proctor.get(f"/api/day-recordings?round_id={room.round_id}"))["coming"]
    assert (coming["recording_id"], coming["parts"]) == (recording_id, [1])
    short = room.proctor.put(f"{address}/parts/0", content=data[:100])
    assert short.status_code == 422
    for _ in range(2):
        ok(room.proctor.put(f"{address}/parts/0", content=data[:PART]))
    for _ in range(2):
        ok(room.proctor.post(f"{address}/finish", json=body))
    with room.held.database.read() as session:
        [row] = session.exec(select(DayRecording)).all()
        assert len(session.exec(select(Job).where(Job.kind == day_cutting.KIND)).all()) == 1
        assert retention.is_wanted(session, row.sha256)
    assert room.held.store.read(row.sha256) == data
    assert ok(room.proctor.get(f"/api/day-recordings?round_id={room.round_id}"))["coming"] == []
    twice = room.send(data)
    assert "has this very recording already" in twice.json()["error"]["sentence"]
    room.work()
    shown = ok(room.proctor.get(address))
    assert (shown["line"]["state"], playing(shown)) == ("ready", [])  # only talk was kept


@pytest.mark.parametrize(
    ("sound", "sentence"),
    [
        (b"no sound at all" * 30, "holds text"),
        (b"\x00\x01" * 500, "not a recording"),
        (b"RIFF\xff\0\0\0WAVE", "decode"),
    ],
)
def test_what_is_no_recording_is_said_so_and_can_be_removed(room, sound, sentence):
    shown = room.cut(sound)
    assert shown["line"]["state"] == "failed"
    assert sentence in shown["line"]["text"]
    recording_id = shown["line"]["recording_id"]
    ok(room.proctor.post(f"/api/day-recordings/{recording_id}/cut-again"))
    room.work()
    assert ok(room.leader.post(f"/api/day-recordings/{recording_id}/remove"))["line"]["state"] == "removed"


def test_a_round_that_is_not_drawn_takes_no_recording(room):
    undrawn = ok(room.leader.post(f"/api/auditions/{room.audition_id}/rounds", json={"name": "Final"}))["id"]
    body = {"round_id": undrawn, "size_bytes": 100}
    reply = room.proctor.put(f"/api/day-recordings/{new_id()}", json=body)
    assert "not drawn yet" in reply.json()["error"]["sentence"]
    huge = room.proctor.put(f"/api/day-recordings/{new_id()}", json={"round_id": room.round_id, "size_bytes": 2**39})
    assert huge.json()["error"]["code"] == "too_large"


def _decided(room: Room, day: Day) -> tuple[str, str]:
    """A recording with one take confirmed and the rest set aside: its id and the entry's of the take."""
    shown = room.cut(day.wav())
    recording_id = shown["line"]["recording_id"]
    number = room.candidates[1]["candidate_id"]
    ok(room.proctor.post(f"/api/day-recordings/{recording_id}/confirm", json={"candidate_id": number}))
    roster = ok(room.leader.get(f"/api/auditions/{room.audition_id}/roster"))
    lines = roster["entries"] if isinstance(roster, dict) else roster
    entry = next(line["entry_id"] for line in lines if line["name"] == room.candidates[1]["name"])
    return recording_id, entry


def test_destroying_knows_the_long_file_and_the_certificate_names_it(room, day, tmp_path):
    recording_id, entry = _decided(room, day)
    address = f"/api/auditions/{room.audition_id}/recordings"
    kept = ok(room.leader.get(address))
    assert (kept["kept"], kept["days"]) == (2, 1)
    assert verifying.remove_left_over(room.held.database, room.held.store, older_than_sec=-3600.0) == 0
    target = storing.TakeStore(tmp_path / "elsewhere")
    copied, _ = storing.copy_takes(room.held.database, room.held.store, target, room.audition_id, lambda *_: None)
    with room.held.database.read() as session:
        sha256 = session.get_one(DayRecording, recording_id).sha256
    assert copied == 3  # two takes, which a 16-bit mono cut plays back as it is, and the day
    assert target.holds(sha256)
    refused = room.leader.post(f"{address}/destroy", json={"entry_id": entry, "reason": "the family asked"})
    assert "holds this student too" in refused.json()["error"]["sentence"]
    ok(room.proctor.post(f"/api/day-recordings/{recording_id}/set-aside"))
    made = ok(room.leader.post(f"{address}/destroy", json={"entry_id": entry, "reason": "the family asked"}))
    assert not room.held.store.holds(sha256)
    assert ok(room.leader.get(address))["days"] == 0
    pdf = room.leader.get(f"/api/certificates/{made['id']}.pdf")
    assert pdf.status_code == 200
    with pdfplumber.open(io.BytesIO(pdf.content)) as opened:
        text = "".join(page.extract_text() for page in opened.pages)
    assert sha256 in text
    assert "the recording of the whole day" in text
    with room.held.database.read() as session:
        assert [said for check in verifying.verify(session, room.held.store) for said in check.problems] == []
        assert len(session.exec(select(DayCut)).all()) > 5  # what was found stays, the sound is gone
    gone = room.proctor.get(f"/api/day-recordings/{recording_id}/sound?start_sec=0&end_sec=1")
    assert (gone.status_code, "removed on" in gone.json()["error"]["sentence"]) == (404, True)
