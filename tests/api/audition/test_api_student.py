"""A student's private link: own results only, after opening only, until it expires or is withdrawn."""

import io
import re
from datetime import timedelta
from typing import Any

import httpx
import pytest
from api_hall import STUDENTS, Hall, full_marks, ok
from pypdf import PdfReader
from sqlmodel import select

from app.db.models import AccessToken
from app.db.types import now_utc
from app.domain.ids import new_id
from app.services.student_links import LINK_LIFE


def _opened(hall: Hall) -> None:
    for letter, visitor in hall.panel.items():
        for candidate in ok(visitor.get("/api/panel"))["candidates"]:
            if candidate["state"] != "recused":
                remark = {"piece_id": hall.piece_ids[0], "bar": "1", "text": f"for {candidate['blind_number']} only"}
                body = {"version_id": new_id(), "marks": full_marks(hall.piece_ids), "remarks": [remark]}
                path = f"/api/panel/candidates/{candidate['candidate_id']}/sheet/submit"
                assert visitor.post(path, json=body).status_code == 200, letter
    ok(hall.leader.post(f"/api/rounds/{hall.round_id}/open", json={"reason": "a rehearsal: nothing is measured"}))


def _names(hall: Hall) -> dict[str, str]:
    rows = ok(hall.leader.get(f"/api/rounds/{hall.round_id}/standing"))["rows"]
    return {row["candidate_id"]: row["name"] for row in rows}


def _link(hall: Hall, candidate: str) -> dict[str, Any]:
    made: dict[str, Any] = ok(hall.leader.post(f"/api/candidates/{candidate}/student-link"))
    return made


def _visitor(browser: Any, link: dict[str, Any]) -> Any:
    return browser(Authorization=f"Bearer {link['url'].partition('#')[2]}")


@pytest.fixture
def students(hall: Hall, browser: Any) -> dict[str, Any]:
    """Every student through their private link, by candidate id."""
    _opened(hall)
    return {c["candidate_id"]: _visitor(browser, _link(hall, c["candidate_id"])) for c in hall.candidates}


def test_no_link_before_opening(hall: Hall) -> None:
    candidate = hall.candidates[0]["candidate_id"]
    for reply in (
        hall.leader.post(f"/api/candidates/{candidate}/student-link"),
        hall.leader.post(f"/api/rounds/{hall.round_id}/student-links.pdf"),
    ):
        assert reply.status_code == 409
        assert "open the round first" in reply.json()["error"]["sentence"]


def test_a_student_sees_the_own_sheet_take_and_music(hall: Hall, students: dict[str, Any]) -> None:
    names = _names(hall)
    numbers = {c["candidate_id"]: c["blind_number"] for c in hall.candidates}
    for candidate, visitor in students.items():
        page = ok(visitor.get("/api/student"))
        assert page["student"] == names[candidate]
        (own,) = page["rounds"]
        assert (own["candidate_id"], own["blind_number"]) == (candidate, numbers[candidate])
        assert {r["text"] for r in own["remarks"]} == {f"for {numbers[candidate]} only"}
        (part,) = own["parts"]
        assert part["take"]["take_id"] == hall.takes[candidate]
        music = ok(visitor.get(f"/api/student/candidates/{candidate}/pieces/{part['piece_id']}"))
        assert music["wide"]["svg"].startswith("<svg")
        assert len(music["narrow"]["systems"]) > len(music["wide"]["systems"])
        assert len(music["figures"]) == len(music["wide"]["notes"]) == len(music["narrow"]["notes"])
        assert music["practice"]["tonic_name"] == "C"
        assert music["practice"]["tonic_sounding"] == "B♭"
        sound = visitor.get(f"/api/student/takes/{hall.takes[candidate]}/playback")
        assert (sound.status_code, sound.content[:4]) == (200, b"RIFF")
        peaks = ok(visitor.get(f"/api/student/takes/{hall.takes[candidate]}/peaks"))
        assert peaks["bars"] == [{"bar": "1", "at_sec": 0.4}]
        pdf = visitor.get(f"/api/student/candidates/{candidate}/comment-sheet.pdf")
        assert names[candidate].split()[0] in PdfReader(io.BytesIO(pdf.content)).pages[0].extract_text()


def test_no_other_student_can_be_reached(hall: Hall, students: dict[str, Any], route_table: Any) -> None:
    """Every route with every id there is, as every student: nobody else's name, school, number's remark or id."""
    names = _names(hall)
    numbers = {c["candidate_id"]: c["blind_number"] for c in hall.candidates}
    own_words = {name: set(s.values()) | set(s["name"].split()) for s in STUDENTS for name in [s["name"]]}
    answered = 0
    for candidate, visitor in students.items():
        mine = own_words[names[candidate]] | {candidate, hall.takes[candidate]}
        others = [w for words in own_words.values() for w in words if w not in mine]
        others += [f"for {n} only" for c, n in numbers.items() if c != candidate]
        for path in _addresses(route_table, hall.ids):
            reply = visitor.get(path)
            answered += reply.status_code == 200
            seen = _seen(reply)
            leaked = [word for word in others if word.casefold() in seen and not _in_own(word, mine)]
            assert leaked == [], path
            foreign = [i for i in (*hall.takes.values(), *numbers) if i in path and i not in mine]
            if foreign and path.startswith("/api/student"):
                assert reply.status_code == 404, path
    assert answered >= 5 * len(students)


def _in_own(word: str, mine: set[str]) -> bool:
    return any(word.casefold() in own.casefold() for own in mine)


def _addresses(route_table: Any, ids: list[str]) -> list[str]:
    found = []
    for method, path, _ in route_table:
        if method != "GET":
            continue
        holes = re.findall(r"\{\w+\}", path)
        places = [path]
        for hole in holes:
            # Where a student is turned away at the door, a few ids are enough; the piece is not the secret.
            wanted = ids if "/student/" in path and hole != "{piece_id}" else ids[:3]
            places = [p.replace(hole, one) for p in places for one in wanted]
        found += places
    return found


def _seen(reply: httpx.Response) -> str:
    text = reply.content.decode("utf-8", "replace")
    if reply.headers.get("content-type", "").startswith("application/pdf"):
        text = "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(reply.content)).pages)
    if reply.headers.get("content-type", "").startswith("application/json"):
        text = str(reply.json())
    return (text + str(reply.headers)).casefold()


def test_a_student_changes_nothing(hall: Hall, students: dict[str, Any], route_table: Any) -> None:
    visitor = next(iter(students.values()))
    for method, path, _ in route_table:
        if method != "GET" and path not in ("/api/sign-in", "/api/setup", "/api/join") and "/demo/" not in path:
            reply = visitor.request(
                method, re.sub(r"\{\w+\}", "0" * 32, path).replace("/chunks/" + "0" * 32, "/chunks/0")
            )
            assert reply.status_code == 403, (method, path)


def test_a_link_works_until_replaced_withdrawn_or_too_old(hall: Hall, browser: Any, held: Any) -> None:
    _opened(hall)
    candidate, other = (c["candidate_id"] for c in hall.candidates[:2])
    base = f"/api/rounds/{hall.round_id}"
    first = _visitor(browser, _link(hall, candidate))
    neighbour = _visitor(browser, _link(hall, other))
    assert first.get("/api/student").status_code == 200
    second = _visitor(browser, _link(hall, candidate))
    assert [v.get("/api/student").status_code for v in (first, second, neighbour)] == [401, 200, 200]
    states = {s["candidate_id"]: s["state"] for s in ok(hall.leader.get(f"{base}/student-links"))}
    assert (states[candidate], states[other]) == ("in use", "in use")
    assert sorted(states.values()) == ["in use", "in use", "none"]
    whole = ok(hall.leader.get(f"{base}/student-links"))
    pages = [hall.leader.get(f"{base}/student-links?limit=2&offset={n}") for n in (0, 2)]
    assert [s for page in pages for s in ok(page)] == whole
    working = hall.leader.get(f"{base}/student-links?only_in_use=true&limit=1")
    assert (len(ok(working)), working.headers["x-total-count"]) == (1, "2")
    some = hall.leader.get(f"{base}/student-links", params={"candidate_id": [other, "0" * 32]})
    assert [s["candidate_id"] for s in ok(some)] == [other]
    ok(hall.leader.delete(f"/api/candidates/{candidate}/student-link"))
    assert [v.get("/api/student").status_code for v in (second, neighbour)] == [401, 200]

    def age(session: Any) -> None:
        for token in session.exec(select(AccessToken).where(AccessToken.role == "student")).all():
            token.expires_at = now_utc() - timedelta(seconds=1)
            session.add(token)

    held.database.write(age)
    assert neighbour.get("/api/student").status_code == 401
    states = {s["candidate_id"]: s["state"] for s in ok(hall.leader.get(f"{base}/student-links"))}
    assert (states[candidate], states[other]) == ("withdrawn", "expired")
    tablets = ok(hall.leader.get(f"/api/auditions/{hall.audition_id}/tablets"))
    assert {t["role"] for t in tablets} == {"adjudicator", "proctor"}


def test_slips_for_all_at_once(hall: Hall, browser: Any) -> None:
    _opened(hall)
    old = _visitor(browser, _link(hall, hall.candidates[0]["candidate_id"]))
    reply = hall.leader.post(f"/api/rounds/{hall.round_id}/student-links.pdf")
    assert (reply.status_code, reply.headers["content-type"]) == (200, "application/pdf")
    text = "".join("".join(p.extract_text().split()) for p in PdfReader(io.BytesIO(reply.content)).pages)
    secrets = re.findall(r"student\.html#([\w-]{43})", text)
    assert len(secrets) == len(set(secrets)) == len(STUDENTS)
    names = list(_names(hall).values())
    seen = [ok(browser(Authorization=f"Bearer {one}").get("/api/student"))["student"] for one in secrets]
    assert sorted(seen) == sorted(names)
    assert old.get("/api/student").status_code == 401
    assert LINK_LIFE.days == 120
    chain = ok(hall.leader.get(f"/api/auditions/{hall.audition_id}/audit"))
    assert not any(secret in str(chain) for secret in secrets)
    ok(hall.leader.delete(f"/api/rounds/{hall.round_id}/student-links"))
    again = [browser(Authorization=f"Bearer {one}").get("/api/student").status_code for one in secrets]
    assert again == [401] * len(secrets)


def test_the_page_shows_the_sheet_that_was_handed_out(hall: Hall, students: dict[str, Any]) -> None:
    candidate, visitor = next(iter(students.items()))
    before = ok(visitor.get("/api/student"))["student"]
    printed = hall.leader.get(f"/api/candidates/{candidate}/comment-sheet.pdf")
    entry = hall.entries[before]
    ok(hall.leader.patch(f"/api/entries/{entry}", json={"name": "Renamed Since"}))
    assert ok(visitor.get("/api/student"))["student"] == before
    assert visitor.get(f"/api/student/candidates/{candidate}/comment-sheet.pdf").content == printed.content
