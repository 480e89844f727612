"""A round without rooms through the public API: links, the deadline's edge, checks, shares, what panels see."""

import csv
import dataclasses
import hashlib
import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from api_hall import CAPTIONS, bar_heard, hand_in, join, ok, sentence, tagged_wav
from crawling import crawl, leaks_of

from app.domain.ids import new_id

NAMES = ("Orla Vandermeer", "Piet Anstruther", "Quentin Lodestar", "Runa Fjeldsted")
DUE = datetime(2099, 3, 29, 16, 0, tzinfo=UTC)  # 18:00 in Berlin, whose clocks were put forward that night
GRACE = timedelta(minutes=10)


@dataclass
class Hall:
    """A drawn round of four students and three adjudicators, two to each candidate, handed in by links."""

    app: Any
    leader: Any
    panel: dict[str, Any]
    judges: dict[str, str]
    base: str
    round_id: str
    piece: str
    pages: dict[str, Any]  # by name
    numbers: dict[str, str]
    candidates: dict[str, str]  # by name

    def at(self, moment: datetime) -> None:
        """Set the server's clock."""
        self.app.state.resources = dataclasses.replace(self.app.state.resources, clock=lambda: moment)

    def get(self, path: str) -> Any:
        return ok(self.leader.get(path))


@pytest.fixture
def as_prepared() -> None:
    """This hall is one of its own."""


@dataclass
class Everything:
    """What the crawl needs to know."""

    secrets: list[str]
    ids: list[str]
    one_of_each: list[str]


@pytest.fixture
def hall(app: Any, leader: Any, browser: Callable[..., Any]) -> Hall:
    audition = ok(leader.post("/api/auditions", json={"name": "State", "held_on": "2026-03-14"}))["id"]
    base = f"/api/auditions/{audition}"
    recipe = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}
    recipe |= {"rhythm": "quarters", "tempo_bpm": 60}
    piece = ok(leader.post(f"{base}/pieces/generated", json={"recipe": recipe, "title": "Scale"}))["id"]
    for name in NAMES:
        line = {"name": name, "school": "Wobblewick Academy", "instrument": "clarinet-bb"}
        consent = {} if name == NAMES[0] else {"consent_on": "2026-03-01", "consent_by": "Guardian Pemberley"}
        ok(leader.post(f"{base}/roster", json={**line, **consent}))
    judges = [ok(leader.post(f"{base}/adjudicators", json={"name": f"Judge {n}"})) for n in "KLM"]
    ok(leader.post(f"{base}/rule/declare"))
    round_id = ok(leader.post(f"{base}/rounds", json={"name": "Screening", "seats": 1}))["id"]
    made = Hall(app, leader, {}, {j["letter"]: j["id"] for j in judges}, base, round_id, piece, {}, {}, {})
    made.at(datetime(2099, 3, 15, 12, 0, tzinfo=UTC))
    plan = {"due": "2099-03-29T18:00", "zone": "Europe/Berlin", "grace_min": 10, "per_candidate": 2}
    shown = ok(leader.put(f"/api/rounds/{round_id}/handing-in", json=plan))
    assert shown["due_text"] == "29 March 2099, 18:00 (Europe/Berlin, UTC+2)"
    assert datetime.fromisoformat(shown["due_at"]) == DUE
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    refused = leader.post(f"/api/rounds/{round_id}/draw")
    assert refused.status_code == 409
    assert "severity-adjusted" in refused.json()["error"]["sentence"]
    rule = made.get(base)["rule"]
    ok(leader.put(f"{base}/rule", json={**rule, "combine": "severity-adjusted", "measured_weights": {}}))
    ok(leader.post(f"{base}/rule/declare"))
    ok(leader.post(f"/api/rounds/{round_id}/draw"))
    ok(leader.put(f"{base}/rule", json=rule))
    assert "shares" not in leader.post(f"{base}/rule/declare").text
    assert leader.post(f"{base}/rule/declare").status_code == 409  # a drawn round is heard in shares
    ok(leader.put(f"{base}/rule", json={**rule, "combine": "severity-adjusted", "measured_weights": {}}))
    ok(leader.post(f"{base}/rule/declare"))
    table = leader.post(f"/api/rounds/{round_id}/hand-in-links.csv")
    assert table.status_code == 200, table.text
    for row in csv.DictReader(io.StringIO(table.content.decode("utf-8-sig"))):
        secret = row["link"].partition("/hand-in.html#")[2]
        made.pages[row["name"]] = browser(Authorization=f"Bearer {secret}")
        made.numbers[row["name"]] = row["number"]
        assert row["deadline"] == shown["due_text"]
    for line in made.get(f"/api/rounds/{round_id}/handing-in")["lines"]:
        made.candidates[line["name"]] = line["candidate_id"]
    made.panel = {j["letter"]: join(browser, ok(leader.post(f"/api/adjudicators/{j['id']}/link"))) for j in judges}
    return made


@pytest.mark.both_engines
def test_a_round_is_handed_in_closed_heard_in_shares_and_ranked(hall):
    first, second, third, fourth = NAMES
    page = hall.pages[first]
    shown = ok(page.get("/api/hand-in"))
    assert (shown["student"], shown["blind_number"], shown["is_open"]) == (first, hall.numbers[first], True)
    (about,) = shown["pieces"][0]["about"]
    assert about.startswith("Bars 1 to ")
    assert about.endswith("seconds at the tempo marked.")
    assert datetime.fromisoformat(shown["closes_at"]) == DUE + GRACE

    # Consent: refused without it, noted on the page, then only the leader changes it.
    assert "No consent to record" in sentence(hand_in(page, hall.piece, tagged_wav(first)), 409)
    noted = ok(page.post("/api/hand-in/consent", json={"given_on": "2026-03-14", "given_by": "Guardian Oxtoby"}))
    assert (noted["consent_on"], noted["consent_by"]) == ("2026-03-14", "Guardian Oxtoby")
    assert page.post("/api/hand-in/consent", json={"given_on": "2026-03-14", "given_by": "X"}).status_code == 409

    # Checks at upload, a receipt, another take in its place; a bad file costs nothing.
    data = tagged_wav(first, seconds=4.0)
    got = ok(hand_in(page, hall.piece, data))["pieces"][0]["takes"]
    assert [(t["counts"], t["sha256"], t["size_bytes"]) for t in got] == [
        (True, hashlib.sha256(data).hexdigest(), len(data))
    ]
    assert any("Was all of it played?" in s for s in got[0]["sentences"])
    assert sentence(hand_in(page, hall.piece, b"no sound at all" * 900), 422)
    better = tagged_wav(first, seconds=8.0)
    got = ok(hand_in(page, hall.piece, better))["pieces"][0]["takes"]
    assert [t["counts"] for t in got] == [True, False]
    assert got[0]["sha256"] == hashlib.sha256(better).hexdigest()
    heard = page.get(f"/api/hand-in/takes/{got[1]['take_id']}/playback")
    assert heard.content[:4] == b"RIFF"

    # The edge: grace lets in what was on its way, the closing moment doesn't.
    hall.at(DUE + GRACE - timedelta(microseconds=1))
    ok(hand_in(hall.pages[second], hall.piece, tagged_wav(second)))
    assert "may hand in until" in sentence(hall.leader.post(f"/api/rounds/{hall.round_id}/handing-in/close"), 409)
    for visitor in hall.panel.values():  # nothing came up yet
        seen = ok(visitor.get("/api/panel"))
        assert seen["candidates"] == []
        assert "handed in until 29 March 2099" in seen["waiting"]
    hall.at(DUE + GRACE)
    late = hand_in(hall.pages[third], hall.piece, tagged_wav(third))
    assert "time to hand in is over" in sentence(late, 422)
    closed = ok(hall.pages[third].get("/api/hand-in"))
    assert (closed["is_open"], closed["why_closed"]) == (False, late.json()["error"]["sentence"])

    # Who is missing, by name for the leader; more time with a reason.
    rest = hall.get(f"/api/rounds/{hall.round_id}/handing-in?missing=true")
    assert {line["name"] for line in rest["lines"]} == {third, fourth}
    reminded = hall.leader.get(f"/api/rounds/{hall.round_id}/reminders.csv").content.decode("utf-8-sig")
    assert third in reminded
    assert first not in reminded
    more = f"/api/candidates/{hall.candidates[third]}/more-time"
    assert "later than" in sentence(hall.leader.post(more, json={"due": "2099-03-29T17:00", "reason": "ill"}), 422)
    given = ok(hall.leader.post(more, json={"due": "2099-03-30T18:00", "reason": "The school's network was down."}))
    assert given["text"] == "30 March 2099, 18:00 (Europe/Berlin, UTC+2)"
    ok(hand_in(hall.pages[third], hall.piece, tagged_wav(third)))

    # Closed: the fourth is absent, neither zero nor in any share.
    shares = ok(hall.leader.post(f"/api/rounds/{hall.round_id}/handing-in/close"))
    assert (shares["complete"], shares["absent"], shares["waiting"]) == (3, 1, 0)
    assert shares["design"]["connected"]
    assert (shares["design"]["smallest_share"], shares["design"]["largest_share"]) == (2, 2)
    assert [a["to_hear"] for a in shares["adjudicators"]] == [2, 2, 2]
    assert (
        "nothing has come in"
        in sentence(hall.leader.post(f"/api/rounds/{hall.round_id}/handing-in/close"), 409).lower()
    )
    assert "stay as they are" in sentence(hand_in(hall.pages[first], hall.piece, tagged_wav(first)), 409)

    # Each adjudicator has the own share only, and nothing tells a name or when a take came.
    merit = {hall.numbers[n]: 6 + i for i, n in enumerate((first, second, third))}
    strict = {"A": -1, "B": 0, "C": 1}
    every = set()
    for letter, visitor in hall.panel.items():
        seen = ok(visitor.get("/api/panel"))
        assert seen["waiting"] is None
        assert len(seen["candidates"]) == 2
        every |= {c["blind_number"] for c in seen["candidates"]}
        text = json.dumps(seen, ensure_ascii=False)
        assert not any(word in text for n in NAMES for word in n.split())
        assert "received" not in text
        assert "2099-03-29" not in text
        own = {c["candidate_id"] for c in seen["candidates"]}
        (other,) = {hall.candidates[n] for n in (first, second, third)} - own
        assert visitor.get(f"/api/panel/candidates/{other}/sheet").status_code == 404
        for c in seen["candidates"]:
            assert visitor.get(f"/api/panel/takes/{c['takes'][0]['take_id']}/playback").status_code == 200
            mark = merit[c["blind_number"]] + strict[letter]
            body = {"version_id": new_id(), "marks": {hall.piece: dict.fromkeys(CAPTIONS, mark)}, "remarks": []}
            ok(visitor.post(f"/api/panel/candidates/{c['candidate_id']}/sheet/submit", json=body))
    assert every == set(merit)
    strangers = [t for p in hall.panel.values() for c in ok(p.get("/api/panel"))["candidates"] for t in c["takes"]]
    refused = [
        p.get(f"/api/panel/takes/{t['take_id']}/playback").status_code for p in hall.panel.values() for t in strangers
    ]
    assert refused.count(404) == 6

    # Severity is taken out, and what was not assigned is said to be missing, not zero.
    standing = hall.get(f"/api/rounds/{hall.round_id}/standing")
    assert [row["blind_number"] for row in standing["rows"]] == [hall.numbers[n] for n in (third, second, first)]
    assert [row["mark"] for row in standing["rows"]] == pytest.approx([8.0, 7.0, 6.0])
    assert standing["missing"] == []
    assert any("assigned by a balanced design" in s and "not zero" in s for s in standing["sentences"])
    assert [n["state"] for n in standing["not_heard"]] == ["absent"]
    ok(hall.leader.post(f"/api/rounds/{hall.round_id}/open", json={"reason": "nothing is measured here"}))


@pytest.mark.both_engines
def test_a_share_is_handed_over_and_who_gets_more_time_comes_up_later(hall):
    for name in NAMES[1:]:
        ok(hand_in(hall.pages[name], hall.piece, tagged_wav(name)))
    hall.at(DUE + GRACE)
    ok(hall.leader.post(f"/api/rounds/{hall.round_id}/handing-in/close"))
    mine = ok(hall.panel["A"].get("/api/panel"))["candidates"]
    sent, left = mine
    body = {"version_id": new_id(), "marks": {hall.piece: dict.fromkeys(CAPTIONS, 6)}, "remarks": []}
    ok(hall.panel["A"].post(f"/api/panel/candidates/{sent['candidate_id']}/sheet/submit", json=body))
    draft = {"marks": {hall.piece: {"tone": 3}}, "remarks": []}
    ok(hall.panel["A"].put(f"/api/panel/candidates/{left['candidate_id']}/sheet/draft", json=draft))
    after = ok(
        hall.leader.post(
            f"/api/rounds/{hall.round_id}/shares/hand-over",
            json={"adjudicator_id": hall.judges["A"], "reason": "has fallen ill"},
        )
    )
    assert [(a["to_hear"], a["sent"]) for a in after["adjudicators"]] == [(1, 1), (3, 0), (2, 0)] or [
        (a["to_hear"], a["sent"]) for a in after["adjudicators"]
    ] == [(1, 1), (2, 0), (3, 0)]
    assert after["design"]["connected"]
    assert hall.panel["A"].get(f"/api/panel/candidates/{left['candidate_id']}/sheet").status_code == 404

    # Absent by the closing; more time takes that back, and closing again brings the take up.
    absent = hall.get(f"/api/rounds/{hall.round_id}/handing-in?find={NAMES[0].split()[0].lower()}")["lines"]
    assert [line["state"] for line in absent] == ["absent"]
    ok(
        hall.leader.post(
            f"/api/candidates/{hall.candidates[NAMES[0]]}/more-time",
            json={"due": "2099-04-02T08:00", "reason": "in hospital"},
        )
    )
    page = hall.pages[NAMES[0]]
    ok(page.post("/api/hand-in/consent", json={"given_on": "2026-03-14", "given_by": "Guardian Oxtoby"}))
    ok(hand_in(page, hall.piece, tagged_wav(NAMES[0])))
    assert ok(hall.leader.get(f"/api/rounds/{hall.round_id}/shares"))["waiting"] == 1
    again = ok(hall.leader.post(f"/api/rounds/{hall.round_id}/handing-in/close"))
    assert (again["complete"], again["waiting"], again["design"]["connected"]) == (4, 0, True)
    seen = [c["blind_number"] for p in hall.panel.values() for c in ok(p.get("/api/panel"))["candidates"]]
    assert seen.count(hall.numbers[NAMES[0]]) == 2
    actions = [e["action"] for e in hall.get(f"{hall.base}/audit")]
    for deed in ("hand-in-links-made", "more-time-given", "share-handed-over"):
        assert deed in actions
    assert actions.count("handing-in-closed") == 2


@pytest.mark.slow
def test_an_adjudicator_with_a_share_who_visits_everything_finds_no_name(hall, browser, held, route_table):
    """While takes come in, after the closing and its sheets, with more time granted, and after the opening."""
    for name in NAMES[1:]:
        ok(hand_in(hall.pages[name], hall.piece, tagged_wav(name), name=f"{name}_clarinet.wav"))
    entries = hall.get(f"{hall.base}/roster")
    takes = {}
    for name in NAMES[1:]:
        (take,) = ok(hall.pages[name].get("/api/hand-in"))["pieces"][0]["takes"]
        takes[name] = take["take_id"]
        held.database.write(lambda s, take_id=take["take_id"]: s.add(bar_heard(take_id)))
    secrets = [*NAMES, *(part for name in NAMES for part in name.split()), "Wobblewick", "Pemberley", "Oxtoby"]
    secrets += [
        "_clarinet.wav",
        "in hospital",
        "Ines Okafor",
        *(e[key] for e in entries for key in ("entry_id", "student_id")),
    ]
    one_of_each = [hall.base.rpartition("/")[2], hall.round_id, hall.piece, hall.judges["B"], hall.candidates[NAMES[1]]]
    one_of_each += [takes[NAMES[1]], entries[0]["entry_id"]]
    ids = [*one_of_each, *hall.judges.values(), *hall.candidates.values(), *takes.values()]
    everything = Everything(secrets, list(dict.fromkeys(ids)), one_of_each)
    visitor = hall.panel["A"]

    def visited() -> int:
        answered, leaks = crawl(visitor, everything, route_table)
        assert leaks == []
        return answered

    before = visited()
    hall.at(DUE + GRACE)
    ok(hall.leader.post(f"/api/rounds/{hall.round_id}/handing-in/close"))
    more = {"due": "2099-04-02T08:00", "reason": "in hospital"}
    ok(hall.leader.post(f"/api/candidates/{hall.candidates[NAMES[0]]}/more-time", json=more))
    for judge in hall.panel.values():
        for shown in ok(judge.get("/api/panel"))["candidates"]:
            body = {"version_id": new_id(), "marks": {hall.piece: dict.fromkeys(CAPTIONS, 6)}, "remarks": []}
            reply = judge.post(f"/api/panel/candidates/{shown['candidate_id']}/sheet/submit", json=body)
            assert reply.status_code == 200, reply.text
            assert leaks_of(reply, secrets) == []
    assert visited() > before  # the share's own sheets and playbacks were among them
    # The same words can be read where they belong, so the crawl would see them.
    roster = hall.leader.get(f"{hall.base}/roster")
    assert {*NAMES, "Wobblewick", "Pemberley", entries[0]["entry_id"]} <= set(leaks_of(roster, secrets))
    # A student's own link reads no other student's name either.
    reads = [entry for entry in route_table if entry[0] == "GET"]
    page_reads = crawl(hall.pages[NAMES[1]], everything, reads)[1]
    assert {word for _, _, words in page_reads for word in words} <= {NAMES[1], *NAMES[1].split(), "Pemberley"}

    hall.at(datetime(2099, 4, 3, tzinfo=UTC))
    ok(hall.leader.post(f"/api/rounds/{hall.round_id}/open", json={"reason": "nothing is measured here"}))
    visited()


@pytest.mark.both_engines
def test_links_show_no_results_reach_nobody_else_and_end_with_a_new_one(hall, browser):
    page = hall.pages[NAMES[1]]
    assert page.get("/api/student").status_code == 403
    assert page.get("/api/session").json()["role"] == "hand-in"
    other = hall.pages[NAMES[2]]
    upload = new_id()
    ok(other.put(f"/api/hand-in/files/{upload}", json={"piece_id": hall.piece, "size_bytes": 8}))
    assert page.post(f"/api/hand-in/files/{upload}/finish", json={"chunks": 1}).status_code == 404
    ok(hand_in(other, hall.piece, tagged_wav(NAMES[2])))
    theirs = ok(other.get("/api/hand-in"))["pieces"][0]["takes"][0]["take_id"]
    assert page.get(f"/api/hand-in/takes/{theirs}/playback").status_code == 404
    for size in (0, 500 * 2**20):
        reply = page.put(f"/api/hand-in/files/{new_id()}", json={"piece_id": hall.piece, "size_bytes": size})
        assert "at most 400 MB" in sentence(reply, 413)
    fresh = ok(hall.leader.post(f"/api/candidates/{hall.candidates[NAMES[1]]}/hand-in-link"))
    assert "/hand-in.html#" in fresh["url"]
    assert page.get("/api/hand-in").status_code == 401
    newer = browser(Authorization=f"Bearer {fresh['url'].partition('#')[2]}")
    assert ok(newer.get("/api/hand-in"))["student"] == NAMES[1]


@pytest.mark.both_engines
def test_what_was_begun_goes_when_recordings_are_destroyed(hall, settings):
    page = hall.pages[NAMES[1]]
    upload = new_id()
    ok(page.put(f"/api/hand-in/files/{upload}", json={"piece_id": hall.piece, "size_bytes": 8}))
    ok(hand_in(page, hall.piece, tagged_wav(NAMES[1])))
    begun = settings.data_dir / "handed-in" / upload
    assert begun.is_dir()
    entries = {e["name"]: e["entry_id"] for e in hall.get(f"{hall.base}/roster")}
    gone = {"reason": "the family asked", "entry_id": entries[NAMES[1]]}
    ok(hall.leader.post(f"{hall.base}/recordings/destroy", json=gone))
    assert not begun.exists()


def test_a_plan_that_can_not_be_is_refused_in_a_sentence(hall):
    plan = f"/api/rounds/{hall.round_id}/handing-in"
    same = {"zone": "Europe/Berlin", "grace_min": 10, "per_candidate": 2}
    earlier = hall.leader.put(plan, json={"due": "2099-03-28T18:00", **same})
    assert "later but not earlier" in sentence(earlier, 409)
    assert "only the deadline" in sentence(
        hall.leader.put(plan, json={"due": "2099-04-28T18:00", **same, "per_candidate": 3}), 409
    )
    assert "stays" in sentence(hall.leader.put(plan, json={"due": None}), 409)
    ok(hall.leader.put(plan, json={"due": "2099-03-30T18:00", **same}))
    other = ok(hall.leader.post(f"{hall.base}/rounds", json={"name": "Other"}))["id"]
    plan = f"/api/rounds/{other}/handing-in"
    for changed, words in (
        ({"due": "2099-03-29T02:30"}, "put forward over 02:30"),
        ({"due": "2099-10-25T02:30"}, "02:30 twice"),
        ({"zone": "Mars/Olympus"}, "no time zone called"),
        ({"due": "2099-03-01T02:30"}, "in the past"),
        ({"due": "2099-05-01T18:00Z"}, "without a zone of its own"),
        ({"grace_min": 5000}, "from 0 to 1440"),
        ({"per_candidate": 1}, "heard by 2 adjudicators or more"),
    ):
        reply = hall.leader.put(plan, json={"due": "2099-05-01T18:00", **same, **changed})
        assert words in sentence(reply, 422)
    ok(hall.leader.put(plan, json={"due": "2099-05-01T18:00", **same}))
    assert "own share" in sentence(hall.leader.patch(f"/api/rounds/{other}", json={"hidden_repeats": 1}), 422)
    assert ok(hall.leader.put(plan, json={"due": None})) is None
    assert hall.leader.get(plan).status_code == 409
