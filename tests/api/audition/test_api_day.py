"""The door and the schedule over the API: check-in, lateness, calling, several rooms, restarts, re-takes."""

import pytest
from api_hall import ok, tagged_wav
from day_hall import Day, clock_of, make_day

from app.domain.ids import new_id

STUDENTS = [
    {"name": "Zenobia Quillfeather", "teacher": "Xylander Thrum"},
    {"name": "Zenobia Quillfeather", "instrument": "bass-clarinet"},
    {"name": "Ottokar Vandersloot", "extra_time_percent": 50, "enlarged_music": True, "accommodation": "large print"},
    {"name": "Merla Ashgrove"},
    {"name": "Bartholomew Pinkney"},
    {"name": "Ysolde Marchbanks"},
]
SINGLES = [{"name": name} for name in ("Ada Finch", "Bo Larch", "Cleo Wren", "Dan Alder", "Eve Birch", "Flo Heron")]


@pytest.fixture
def day(leader, browser, app) -> Day:
    return make_day(leader, browser, app, STUDENTS, plan={"restarts": "one", "study_sec": 40})


def sentence(reply) -> str:
    assert reply.status_code >= 400, reply.text
    return reply.json()["error"]["sentence"]


def test_one_student_on_two_instruments_is_two_candidates_never_at_once(day):
    own = [line["turn"] for line in day.door()["turns"] if line["name"] == "Zenobia Quillfeather"]
    assert len({turn["blind_number"] for turn in own}) == 2
    first, second = sorted(own, key=lambda turn: turn["plays_at"])
    assert first["ends_at"] <= second["warm_up_at"]


def test_candidates_are_given_to_the_rooms_and_each_tablet_sees_its_own(day):
    lines = day.turns()
    by_room = {name: {c for c, line in lines.items() if line["turn"]["room_id"] == i} for name, i in day.rooms.items()}
    assert [len(own) for own in by_room.values()] == [3, 3]
    for name, own in by_room.items():
        room = ok(day.tablets[name].get("/api/room"))
        assert {c["candidate_id"] for c in room["candidates"]} == own
        assert room["study_sec"] == 40
        assert room["restarts"] == "Everybody may begin each piece again once."
    assert len(ok(day.tablets["door"].get("/api/room"))["candidates"]) == 6
    who = next(c for c, line in lines.items() if line["turn"]["room_id"] == day.rooms["Stage"])
    ok(day.deed(who, "move", room_id=day.rooms["Choir room"]))
    assert day.turns()[who]["turn"]["room_id"] == day.rooms["Choir room"]
    ok(day.leader.delete(f"/api/rooms/{day.rooms['Stage']}"))
    assert {line["turn"]["room_id"] for line in day.turns().values()} == {day.rooms["Choir room"]}
    assert len(ok(day.tablets["Stage"].get("/api/room"))["candidates"]) == 6  # its tablet serves all now


def test_extra_time_is_in_the_schedule_and_on_the_doors_list(day):
    line = next(line for line in day.door()["turns"] if line["name"] == "Ottokar Vandersloot")
    turn = line["turn"]
    assert (line["extra_time_percent"], line["enlarged_music"], line["accommodation"]) == (50, True, "large print")
    starts, ends = clock_of(turn["plays_at"]), clock_of(turn["ends_at"])
    assert int(ends[3:]) + 60 * int(ends[:2]) - int(starts[3:]) - 60 * int(starts[:2]) == 12


def test_check_in_has_a_deadline_and_late_is_neither_zero_nor_in_time(day):
    order = day.order()
    first, last = order[0], order[-1]
    assert clock_of(day.turns()[first]["turn"]["check_in_by"]) == "08:30"
    day.clock.to("08:20")
    ok(day.check_in(order[1]))
    ok(day.check_in(order[1]))  # twice is harmless
    day.clock.to("08:40")
    assert "has not come although" in day.door()["sentence"] or "have not come although" in day.door()["sentence"]
    assert "comes late" in sentence(day.check_in(first))
    reply = day.tablets["door"].patch(f"/api/candidates/{first}", json={"state": "present"})
    assert "closed at 08:30" in sentence(reply)
    ok(day.check_in(first, "the bus broke down"))
    line = day.turns()[first]
    assert (line["turn"]["state"], line["state_reason"]) == ("late", "the bus broke down")
    assert line["turn"]["place"] > day.turns()[last]["turn"]["place"]  # the end of the list
    drawn = ok(day.leader.get(f"/api/rounds/{day.round_id}"))["candidates"]
    assert {c["candidate_id"] for c in drawn} == set(order)  # the draw itself stays
    assert sorted(c["playing_order"] for c in drawn) == [1, 2, 3, 4, 5, 6]


def test_who_does_not_come_is_a_no_show_until_they_do(day):
    order = day.order()
    ok(day.check_in(order[0]))
    day.clock.to("08:45")
    assert ok(day.tablets["door"].post(f"/api/rounds/{day.round_id}/close-check-in"))["no_shows"] >= 1
    missing = [c for c, line in day.turns().items() if line["turn"]["state"] == "no-show"]
    assert order[0] not in missing
    assert all(day.turns()[c]["turn"]["plays_at"] is None for c in missing)
    assert "comes late" in sentence(day.check_in(missing[0]))
    ok(day.check_in(missing[0], "overslept"))
    assert day.turns()[missing[0]]["turn"]["plays_at"] is not None


@pytest.mark.parametrize(("rule", "heard"), [("keep", True), ("not-heard", False)])
def test_the_declared_rule_for_lateness_holds(leader, browser, app, rule, heard):
    day = make_day(leader, browser, app, STUDENTS[3:], plan={"late_rule": rule})
    first = day.order()[0]
    place = day.turns()[first]["turn"]["place"]
    day.clock.to("08:31")
    reply = day.check_in(first, "fog")
    if heard:
        ok(reply)
        assert day.turns()[first]["turn"]["place"] == place
    else:
        assert "only the section leader" in sentence(reply)
        ok(day.leader.post(f"/api/candidates/{first}/check-in", json={"reason": "their train stood still"}))
        assert day.turns()[first]["turn"]["state"] == "late"


def test_the_schedule_follows_what_happens_and_calls_who_is_next(leader, browser, app):
    day = make_day(leader, browser, app, SINGLES)  # nobody waits for a second number or has time of their own
    for candidate in day.order():
        ok(day.check_in(candidate))
    stage = [c for c, line in day.turns().items() if line["turn"]["room_id"] == day.rooms["Stage"]]
    day.clock.to("09:00")
    ok(day.deed(stage[0], "enter", "Stage"))
    assert "still in this room" in sentence(day.deed(stage[1], "enter", "Stage"))
    board = next(b for b in day.door()["boards"] if b["name"] == "Stage")
    numbers = {c: line["turn"]["blind_number"] for c, line in day.turns().items()}
    assert (board["in_the_room"], board["on_deck"]) == (numbers[stage[0]], numbers[stage[1]])
    assert not board["on_deck_called"]
    ok(day.deed(stage[1], "call"))
    assert next(b for b in day.door()["boards"] if b["name"] == "Stage")["on_deck_called"]
    day.clock.to("09:20")  # a broken reed
    ok(day.deed(stage[0], "leave", "Stage"))
    turn = day.turns()[stage[1]]["turn"]
    assert clock_of(turn["plays_at"]) == "09:22"
    assert turn["behind_minutes"] == pytest.approx(12, abs=3)
    ok(day.tablets["door"].post(f"/api/rounds/{day.round_id}/pauses", json={"minutes": 15, "what": "Fire drill"}))
    assert clock_of(day.turns()[stage[1]]["turn"]["plays_at"]) == "09:37"
    ok(day.deed(stage[1], "put-back", reason="felt faint"))
    told = [(deed["who"], deed["what"]) for deed in ok(day.leader.get(f"/api/candidates/{stage[1]}/audit"))["deeds"]]
    assert ("Recording room (Door)", "put the candidate to the end of the list, with a reason") in told
    assert day.turns()[stage[1]]["turn"]["place"] > day.turns()[stage[2]]["turn"]["place"]
    again = day.leader.post(f"/api/rounds/{day.round_id}/day/announce")
    assert "announced times stay" in sentence(again)


def _take(day, candidate, piece, tablet="door"):
    form = {"id": new_id(), "candidate_id": candidate, "piece_id": piece}
    files = {"file": ("take.wav", tagged_wav("x", 2.0), "audio/wav")}
    return day.tablets[tablet].post("/api/takes", data=form, files=files)


def test_restarts_are_counted_against_the_declared_policy(day):
    who, piece = day.order()[0], day.piece_ids[0]
    deed = f"/api/candidates/{who}/restarts"
    first = {"id": new_id(), "piece_id": piece}
    assert ok(day.tablets["door"].post(deed, json=first)) == {"count": 1, "sentence": None}
    assert ok(day.tablets["door"].post(deed, json=first))["count"] == 1  # a resend
    second = {"id": new_id(), "piece_id": piece}
    reply = ok(day.tablets["door"].post(deed, json=second))
    assert reply["count"] == 2
    assert "again once" in reply["sentence"]
    shown = next(c for c in ok(day.leader.get(f"/api/room?audition_id={day.audition_id}"))["candidates"]
                 if c["candidate_id"] == who)  # fmt: skip
    assert shown["restarts"] == {piece: 2}
    assert shown["last_restarts"] == {piece: second["id"]}  # so that any device can take it back
    ok(day.leader.delete(f"/api/restarts/{shown['last_restarts'][piece]}"))
    assert "not counted any more" in sentence(day.tablets["door"].delete(f"/api/restarts/{second['id']}"))
    [room] = [c for c in ok(day.tablets["door"].get("/api/room"))["candidates"] if c["candidate_id"] == who]
    assert (room["restarts"], room["last_restarts"]) == ({piece: 1}, {piece: first["id"]})
    assert ok(day.tablets["door"].post(deed, json=first))["count"] == 1
    assert "32 hexadecimal" in sentence(day.tablets["door"].post(deed, json={"id": "x", "piece_id": piece}))
    ok(_take(day, who, piece))
    plan = day.door()["plan"] | {"restarts": "any"}
    assert "stay as declared" in sentence(day.leader.put(f"/api/rounds/{day.round_id}/day", json=plan))


def test_a_take_moves_the_day_on_and_a_retake_keeps_both(day):
    who, piece = day.order()[0], day.piece_ids[0]
    take = ok(_take(day, who, piece))["take"]["take_id"]
    turn = day.turns()[who]["turn"]
    assert (turn["stage"], turn["state"]) == ("played", "heard")
    bad = {"cause": "mood", "reason": "x"}
    assert day.tablets["door"].post(f"/api/takes/{take}/void", json=bad).status_code == 422
    ok(day.tablets["door"].post(f"/api/takes/{take}/void", json={"cause": "injury", "reason": "a cramp"}))
    again = ok(_take(day, who, piece))["take"]
    assert again["replaces"] == take
    told = [deed["what"] for deed in ok(day.leader.get(f"/api/candidates/{who}/audit"))["deeds"]]
    assert "voided the take of Scale, with a reason" in told
    takes = next(c for c in ok(day.tablets["door"].get("/api/room"))["candidates"] if c["candidate_id"] == who)["takes"]
    assert [(t["state"], t["void_cause"], t["void_reason"]) for t in takes] == [
        ("voided", "injury", "a cramp"),
        ("kept", "", ""),
    ]
