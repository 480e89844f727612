"""When everybody plays: rooms side by side, breaks, who is late or missing, one student with two numbers."""

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.domain.day import DayPlan, Pause, validate_day
from app.domain.day_planning import TurnFacts, behind_minutes, plan_day
from app.domain.errors import BadInput

NINE = datetime.fromisoformat("2026-03-14T09:00-06:00")
PLAN = DayPlan(starts_at=NINE, minutes=8, change_minutes=2, warm_up_minutes=10)


def at(clock: str) -> datetime:
    return datetime.fromisoformat(f"2026-03-14T{clock}-06:00")


def turns(*rooms: str) -> list[TurnFacts]:
    return [TurnFacts(str(i), f"person {i}", room, i, here=True) for i, room in enumerate(rooms, start=1)]


def clock(planned, candidate: str) -> str:
    return planned[candidate].plays_at.strftime("%H:%M")


def test_rooms_run_side_by_side() -> None:
    planned = plan_day(PLAN, turns("A", "B", "A", "B"))
    assert [clock(planned, c) for c in "1234"] == ["09:00", "09:00", "09:10", "09:10"]
    assert planned["3"].warm_up_at == NINE


def test_a_break_begins_after_whoever_plays_and_moves_with_the_day() -> None:
    plan = replace(PLAN, pauses=(Pause(at("09:15"), 30, "Break"),))
    four = turns("A", "A", "A", "A")
    assert [clock(plan_day(plan, four), c) for c in "1234"] == ["09:00", "09:10", "09:50", "10:00"]
    late = [replace(four[0], entered_at=at("09:05"), left_at=at("09:20")), *four[1:]]
    assert clock(plan_day(plan, late, at("09:21")), "2") == "09:52"  # free at 9:22, then the break
    assert clock(plan_day(plan, late, at("09:40")), "2") == "09:52"  # in the break
    taken = [late[0], replace(four[1], entered_at=at("09:52")), *four[2:]]
    assert clock(plan_day(plan, taken, at("09:53")), "3") == "10:02"  # the break is over and does not come again


def test_the_rest_follows_from_what_has_happened() -> None:
    four = turns("A", "A", "A", "A")
    four[0] = replace(four[0], entered_at=at("09:06"))
    planned = plan_day(PLAN, four, at("09:07"))
    assert planned["1"].stage == "in the room"
    assert clock(planned, "2") == "09:16"
    assert behind_minutes(planned["2"], at("09:10")) == 6
    planned = plan_day(PLAN, four, at("09:30"))  # longer than thought: nobody comes in before now
    assert clock(planned, "2") == "09:32"
    four[0] = replace(four[0], left_at=at("09:11"))
    assert clock(plan_day(PLAN, four, at("09:12")), "2") == "09:13"


def test_who_is_not_here_is_passed_over_when_the_turn_is_near() -> None:
    three = turns("A", "A", "A")
    three[0] = replace(three[0], here=False)
    assert [clock(plan_day(PLAN, three, at("08:00")), c) for c in "123"] == ["09:00", "09:10", "09:20"]
    planned = plan_day(PLAN, three, at("09:01"))
    assert [clock(planned, c) for c in "231"] == ["09:01", "09:11", "09:21"]
    assert (planned["2"].stage, planned["3"].stage, planned["1"].stage) == ("on deck", "warm up", "waits")


def test_who_is_out_takes_no_time() -> None:
    three = turns("A", "A", "A")
    three[1] = replace(three[1], out=True)
    planned = plan_day(PLAN, three)
    assert (planned["2"].stage, planned["2"].plays_at) == ("out", None)
    assert clock(planned, "3") == "09:10"


def test_extra_time_makes_a_longer_turn() -> None:
    two = turns("A", "A")
    two[0] = replace(two[0], extra_percent=50)
    assert clock(plan_day(PLAN, two), "2") == "09:14"


def test_one_student_with_two_numbers_warms_up_between_them() -> None:
    three = turns("A", "B", "B")
    three[1] = replace(three[1], person=three[0].person)  # both would begin at nine
    planned = plan_day(PLAN, three)
    assert [clock(planned, c) for c in "132"] == ["09:00", "09:00", "09:18"]
    alone = plan_day(PLAN, three[:2])
    assert clock(alone, "2") == "09:18"  # nobody else is there: the room waits


@given(st.data())
def test_no_room_and_nobody_is_ever_taken_twice(data) -> None:
    count = data.draw(st.integers(1, 14))
    facts = [
        TurnFacts(
            str(i),
            f"p{data.draw(st.integers(0, count))}",
            data.draw(st.sampled_from(["A", "B", "C", None])),
            data.draw(st.integers(0, 99)),
            extra_percent=data.draw(st.sampled_from([0, 0, 50, 100])),
            out=data.draw(st.booleans()) and i % 3 == 0,
            here=data.draw(st.booleans()),
        )
        for i in range(count)
    ]
    plan = replace(PLAN, pauses=(Pause(at("09:20"), 15, "Break"), Pause(at("12:00"), 40, "Meal")))
    now = NINE + timedelta(minutes=data.draw(st.integers(-60, 300))) if data.draw(st.booleans()) else None
    planned = plan_day(plan, facts, now)
    assert set(planned) == {f.candidate_id for f in facts}
    for key in (lambda f: ("room", f.room_id), lambda f: ("person", f.person)):
        groups: dict = {}
        for fact in facts:
            if not fact.out:
                groups.setdefault(key(fact), []).append(planned[fact.candidate_id])
        for several in groups.values():
            ordered = sorted(several, key=lambda turn: turn.plays_at)
            assert all(a.ends_at <= b.plays_at for a, b in pairwise(ordered))
    assert all(t.plays_at >= (max(NINE, now) if now else NINE) for t in planned.values() if t.stage != "out")


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"starts_at": "9:00"}, "beginning of the day"),
        ({"starts_at": "2026-03-14T09:00"}, "offset"),
        ({"minutes": "ten"}, "minutes for one candidate"),
        ({"minutes": True}, "minutes for one candidate"),
        ({"late_rule": "whenever"}, "rule for who comes late"),
        ({"restarts": "twice"}, "restart policy"),
        ({"pauses": [{"at": "2026-03-14T12:00-06:00", "minutes": 0}]}, "minutes of a break"),
        ({"pauses": ["noon"]}, "break"),
        ({"study_sec": -1}, "study time"),
        ({"script": ["x" * 500]}, "sentence of the script"),
    ],
)
def test_a_plan_that_cannot_be_used_is_refused_in_a_sentence(change, word) -> None:
    with pytest.raises(BadInput, match=word):
        validate_day({"starts_at": NINE.isoformat(), "minutes": 8} | change)


def test_a_plan_comes_back_as_it_was_kept() -> None:
    plan = replace(PLAN, pauses=(Pause(at("12:00"), 40, "Meal"),), restarts="one", script=("Welcome.",))
    assert validate_day(plan.to_dict()) == plan
    assert plan.local(datetime.fromisoformat("2026-03-14T15:00+00:00")).strftime("%H:%M") == "09:00"
