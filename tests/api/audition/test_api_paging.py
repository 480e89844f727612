"""Long lists a page at a time: pages fit together, searching finds in any script, and how many there are is said."""

from urllib.parse import quote

import pytest
from api_hall import ok

pytestmark = pytest.mark.both_engines


@pytest.fixture
def base(leader):
    audition = ok(leader.post("/api/auditions", json={"name": "State", "held_on": "2026-03-14"}))["id"]
    lines = "".join(f"Student {n:02d},flute,School {n % 3},Teacher {n % 2}\n" for n in range(23))
    table = f"name,instrument,school,teacher\n{lines}Юлия 100% Орлова,clarinet,Школа,Пётр\n".encode()
    path = f"/api/auditions/{audition}"
    read = ok(leader.post(f"{path}/roster/csv", files={"file": ("roster.csv", table, "text/csv")}))
    assert read["added"] == 24
    return path


def test_a_roster_comes_whole_or_in_pages_that_fit_together(leader, base):
    whole = [e["entry_id"] for e in ok(leader.get(f"{base}/roster"))]
    pages = []
    for offset in (0, 10, 20, 30):
        reply = leader.get(f"{base}/roster?limit=10&offset={offset}")
        assert reply.headers["x-total-count"] == "24"
        pages += [e["entry_id"] for e in ok(reply)]
    assert pages == whole
    for find, count in (
        ("student 0", 10),
        ("SCHOOL 1", 8),
        ("Teacher 1", 11),
        ("Орлова", 1),
        ("100%", 1),
        ("%", 1),
        ("_", 0),
    ):
        reply = leader.get(f"{base}/roster", params={"limit": 5, "find": find})
        assert reply.headers["x-total-count"] == str(count), find
        assert len(ok(reply)) == min(count, 5)
    for wrong in ("limit=0", "limit=501", "offset=-1", "limit=5&find=" + "x" * 101):
        assert leader.get(f"{base}/roster?{wrong}").status_code == 422


def test_a_rounds_numbers_and_progress_come_in_pages(leader, base):
    round_id = ok(leader.post(f"{base}/rounds", json={"name": "First round"}))["id"]
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    drawn = ok(leader.post(f"/api/rounds/{round_id}/draw"))
    numbers = [c["blind_number"] for c in drawn["candidates"]]
    assert drawn["candidate_count"] == len(numbers) == 24
    pages = [leader.get(f"/api/rounds/{round_id}/candidates?limit=9&offset={n}") for n in (0, 9, 18)]
    assert [c["blind_number"] for page in pages for c in ok(page)] == numbers
    assert {page.headers["x-total-count"] for page in pages} == {"24"}
    begins = numbers[0][0]
    some = ok(leader.get(f"/api/rounds/{round_id}/candidates?find={begins}"))
    assert [c["blind_number"] for c in some] == [n for n in numbers if n.startswith(begins)]

    ok(
        leader.patch(
            f"/api/candidates/{drawn['candidates'][3]['candidate_id']}", json={"state": "absent", "reason": "x"}
        )
    )
    whole = ok(leader.get(f"/api/rounds/{round_id}/progress"))
    page = ok(leader.get(f"/api/rounds/{round_id}/progress?limit=9&offset=9"))
    assert (whole["total"], page["total"]) == (24, 24)
    assert page["candidates"] == whole["candidates"][9:18]
    assert page["sentence"] == whole["sentence"] == "0 of 23 candidates are recorded, 0 of 0 sheets are in."
    found = ok(leader.get(f"/api/rounds/{round_id}/progress?limit=9&find={numbers[5]}"))
    assert [c["blind_number"] for c in found["candidates"]] == [numbers[5]]


def test_beyond_z_letters_are_two(leader, base):
    made = [ok(leader.post(f"{base}/adjudicators", json={"name": f"Judge {n}"}))["letter"] for n in range(28)]
    assert made[:2] + made[25:] == ["A", "B", "Z", "AA", "AB"]
    assert sorted(made) == sorted({one["letter"] for one in ok(leader.get(f"{base}/adjudicators"))})


def test_the_audit_comes_in_pages_in_its_order(leader, base):
    for n in range(5):
        ok(leader.post(f"{base}/adjudicators", json={"name": f"Judge {n}"}))
    whole = [e["hash"] for e in ok(leader.get(f"{base}/audit"))]
    first = leader.get(f"{base}/audit?limit=4")
    assert int(first.headers["x-total-count"]) == len(whole) >= 7
    second = leader.get(f"{base}/audit?limit=500&offset=4")
    assert [e["hash"] for e in (*ok(first), *ok(second))] == whole


def test_the_recording_room_comes_in_pages_and_says_who_is_next(leader, base):
    round_id = ok(leader.post(f"{base}/rounds", json={"name": "First round"}))["id"]
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    numbers = [c["blind_number"] for c in ok(leader.post(f"/api/rounds/{round_id}/draw"))["candidates"]]
    recipe = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "flute"}
    ok(leader.post(f"{base}/pieces/generated", json={"recipe": recipe, "title": "Scale"}))
    room = f"/api/room?audition_id={base.rpartition('/')[2]}"
    whole = ok(leader.get(room))
    assert [c["blind_number"] for c in whole["candidates"]] == numbers
    assert (whole["total"], whole["drawn"], whole["next"]["blind_number"]) == (24, 24, numbers[0])
    pages = [ok(leader.get(f"{room}&limit=9&offset={n}")) for n in (0, 9, 18)]
    assert [c for page in pages for c in page["candidates"]] == whole["candidates"]
    assert {(p["total"], p["drawn"], p["next"]["blind_number"]) for p in pages} == {(24, 24, numbers[0])}

    gone, last = whole["candidates"][0]["candidate_id"], whole["candidates"][-1]
    ok(leader.patch(f"/api/candidates/{gone}", json={"state": "absent", "reason": "x"}))
    page = ok(leader.get(f"{room}&limit=2&candidate_id={last['candidate_id']}"))
    assert (page["next"]["blind_number"], page["chosen"]) == (numbers[1], last)
    assert ok(leader.get(f"{room}&limit=2"))["chosen"] is None
    # A number is searched for among names too, and "20" may be drawn where a "Student 20" plays: one beyond them all.
    alone = max(numbers, key=int)
    for find, found in (("Орлова", 1), ("student 0", 10), (alone, 1), ("%", 1), ("_", 0)):
        seen = ok(leader.get(f"{room}&limit=3&find={quote(find)}"))
        assert (seen["total"], len(seen["candidates"]), seen["drawn"]) == (found, min(found, 3), 24), find

    _the_door_comes_in_pages(leader, base, round_id)


def _the_door_comes_in_pages(leader, base, round_id):
    """In order of playing; without a beginning from the first who has not played. Counts are of everybody."""
    assert leader.put(f"/api/rounds/{round_id}/day", json={"starts_at": "2026-03-14T09:00Z", "minutes": 5}).is_success
    door = f"/api/door?audition_id={base.rpartition('/')[2]}"
    whole = ok(leader.get(door))
    assert (len(whole["turns"]), whole["total"], whole["offset"]) == (24, 24, 0)
    assert [line["turn"]["stage"] for line in whole["turns"]].index("out") == 23  # who is absent comes last
    pages = [ok(leader.get(f"{door}&limit=9&offset={n}")) for n in (0, 9, 18)]
    assert [line["turn"]["candidate_id"] for page in pages for line in page["turns"]] == [
        line["turn"]["candidate_id"] for line in whole["turns"]
    ]
    assert all(page["counts"] == whole["counts"] and page["total"] == 24 for page in pages)
    for line in whole["turns"][:2]:
        path = f"/api/candidates/{line['turn']['candidate_id']}"
        assert leader.patch(path, json={"state": "present", "reason": ""}).is_success
        for deed in ("enter", "leave"):
            assert leader.post(f"{path}/turn", json={"deed": deed}).is_success
    now = ok(leader.get(f"{door}&limit=9"))
    assert (now["offset"], now["turns"][0]["turn"]["stage"]) == (2, "waits")
    assert ok(leader.get(f"{door}&limit=24"))["offset"] == 0
    found = ok(leader.get(f"{door}&limit=3&find=student 0"))
    assert (found["total"], len(found["turns"])) == (10, 3)
    assert all("Student 0" in line["name"] for line in found["turns"])
    assert (found["counts"], found["boards"]) == (now["counts"], now["boards"])


def test_own_pupils_are_proposed_in_pages(leader, base):
    ok(leader.post(f"{base}/adjudicators", json={"name": "Teacher 1"}))
    whole = ok(leader.get(f"{base}/recusals/proposed"))
    pages = [leader.get(f"{base}/recusals/proposed?limit=7&offset={n}") for n in (0, 7)]
    assert [one for page in pages for one in ok(page)] == whole
    assert (len(whole), pages[0].headers["x-total-count"]) == (11, "11")
