"""Setting up over HTTP: roster tables, rule, rounds; what the leader's screens read."""

import pytest
from api_hall import ok

from app.domain.ids import new_id


@pytest.fixture
def base(leader):
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))
    assert audition["counts"] == {"pieces": 0, "entries": 0, "adjudicators": 0, "rounds": 0, "takes": 0}
    assert audition["next_step"].startswith("Add the first piece")
    return f"/api/auditions/{audition['id']}"


def _upload(leader, base, data, keep_good=False):
    files = {"file": ("roster.csv", data, "text/csv")}
    return leader.post(f"{base}/roster/csv?keep_good={str(keep_good).lower()}", files=files)


def test_a_roster_table_is_taken_in_and_bad_lines_are_named(leader, base):
    table = "\ufeffName;Instrument;Teacher\r\nMira Sünd;Flute;A. Brandt\r\n;Flute;\r\nИван;Oboe;\r\n".encode()
    kept_back = ok(_upload(leader, base, table))
    assert (kept_back["added"], kept_back["rejected"]) == (
        0,
        [{"line": 3, "sentence": "The name is missing; fill it in."}],
    )
    assert ok(_upload(leader, base, table, keep_good=True))["added"] == 2
    assert [line["name"] for line in leader.get(f"{base}/roster").json()] == ["Mira Sünd", "Иван"]
    again = ok(_upload(leader, base, table, keep_good=True))
    assert (again["added"], [r["line"] for r in again["rejected"]]) == (0, [2, 3, 4])


@pytest.mark.parametrize(
    "data", [b"", b"first,last\nA,B\n", b"PK\x03\x04", b"\x00\x01", "name,instrument".encode("utf-16")]
)
def test_what_is_no_roster_gets_one_sentence(leader, base, data):
    reply = _upload(leader, base, data)
    error = reply.json()["error"]
    assert (reply.status_code, error["code"]) == (422, "bad_input")
    assert error["sentence"].endswith(".")


def test_a_roster_that_is_too_large_is_refused(leader, base):
    assert _upload(leader, base, b"name,instrument\n" + b"x" * (9 * 2**20)).status_code == 413
    assert _upload(leader, base, b"x" * (11 * 2**20)).status_code == 413


def test_lines_are_added_changed_and_removed_by_form(leader, base):
    line = ok(leader.post(f"{base}/roster", json={"name": " Mira  Sünd ", "instrument": "Flute"}))
    assert (line["name"], line["instrument"], line["withdrawn"]) == ("Mira Sünd", "flute", False)
    twin = leader.post(f"{base}/roster", json={"name": "mira sünd", "instrument": "flute"})
    assert (twin.status_code, twin.json()["error"]["code"]) == (409, "duplicate")
    changed = ok(leader.patch(f"/api/entries/{line['entry_id']}", json={"school": "North", "consent_on": "2026-03-01"}))
    assert (changed["name"], changed["school"], changed["consent_on"]) == ("Mira Sünd", "North", "2026-03-01")
    assert ok(leader.patch(f"/api/entries/{line['entry_id']}", json={"consent_on": None}))["consent_on"] is None
    for body in ({"name": ""}, {"name": "a\u0000b"}, {"instrument": "nose whistle"}, {"nonsense": 1}, {"name": None}):
        assert leader.patch(f"/api/entries/{line['entry_id']}", json=body).status_code == 422, body
    ok(leader.delete(f"/api/entries/{line['entry_id']}"))
    assert leader.delete(f"/api/entries/{line['entry_id']}").status_code == 404


def test_defaults_fill_the_forms(leader):
    defaults = ok(leader.get("/api/defaults"))
    assert [c["key"] for c in defaults["rubric"]["captions"]] == ["tone", "pitch", "rhythm", "musicianship"]
    assert all(level["descriptor"] for c in defaults["rubric"]["captions"] for level in c["levels"])
    assert {"key": "clarinet-bb", "name": "Clarinet in B♭", "unpitched": False} in defaults["instruments"]
    assert {"mean", "median", "severity-adjusted"} <= {r["key"] for r in defaults["rules"]}
    assert defaults["rule"]["measured_weights"] == {"tone": 0, "pitch": 0.2, "rhythm": 0.2, "musicianship": 0}


def test_rubric_and_rule_are_set_and_declared(leader, base):
    recipe = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}
    piece = ok(leader.post(f"{base}/pieces/generated", json={"recipe": recipe, "title": "Scale"}))["id"]
    rubric = ok(leader.get("/api/defaults"))["rubric"]
    rubric["captions"][0]["name"] = "Sound"
    shown = ok(leader.put(f"{base}/rubric", json=rubric))
    assert shown["rubric"]["captions"][0]["name"] == "Sound"
    shown = ok(leader.put(f"{base}/rule", json={"combine": "median", "piece_weights": {piece: 40}, "minimum_total": 5}))
    assert "the middle one" in shown["rule_sentence"]
    declared = ok(leader.post(f"{base}/rule/declare"))
    assert (declared["rule_frozen"], len(declared["rule_hash"])) == (False, 64)
    for path, body in (
        ("rubric", {"low": 10, "high": 1, "captions": []}),
        ("rubric", {"low": 1, "high": 10}),
        ("rule", {"combine": "coin"}),
        ("rule", {"combine": "mean", "caption_weights": {"speed": 1}}),
        ("rule", {"combine": "mean", "tie_chain": ["re-hearing", "measured"]}),
    ):
        assert leader.put(f"{base}/{path}", json=body).status_code == 422, body


def test_settings_that_are_no_settings_are_refused(leader, base):
    for body in (
        {"a4_hz": 0},
        {"a4_hz": "high"},
        {"temperament": "well"},
        {"held_on": "tomorrow"},
        {"name": "x" * 300},
        {"name": "two\u202elines"},
    ):
        reply = leader.patch(base, json=body)
        assert (reply.status_code, reply.json()["error"]["code"]) == (422, "bad_input"), body
    assert leader.patch(base, json={"a4_hz": 442, "retention_until": "2026-09-01"}).json()["a4_hz"] == 442
    bad = leader.request("PATCH", base, content=b'{"a4_hz": NaN}', headers={"content-type": "application/json"})
    assert bad.status_code == 422


def test_ids_that_can_not_be_ids_never_reach_the_database(leader):
    for path in ("/api/auditions/x", "/api/rounds/%00", "/api/auditions/" + "F" * 32, "/api/rounds/" + "a" * 5000):
        assert leader.get(path).status_code in (404, 422), path
    assert leader.get(f"/api/auditions/{new_id()}").status_code == 404


def test_a_round_shows_the_hash_before_and_the_seed_after(leader, base):
    leader.post(f"{base}/roster", json={"name": "Mira Sünd", "instrument": "flute"})
    made = ok(leader.post(f"{base}/rounds", json={"name": "First round", "seats": 2}))
    assert (made["state"], made["seed"], made["seed_commitment"], made["candidates"]) == ("setup", None, None, [])
    path = f"/api/rounds/{made['id']}"
    committed = ok(leader.post(f"{path}/commit"))
    assert (committed["seed"], len(committed["seed_commitment"])) == (None, 64)
    assert ok(leader.get(path))["seed"] is None
    drawn = ok(leader.post(f"{path}/draw"))
    assert len(drawn["seed"]) == 64
    assert [c["playing_order"] for c in drawn["candidates"]] == [1]
    assert leader.post(f"{path}/draw").status_code == 409
    assert leader.delete(path).status_code == 409
    assert ok(leader.patch(path, json={"seats": 1}))["seats"] == 1
    assert [r["id"] for r in leader.get(f"{base}/rounds").json()] == [made["id"]]
    actions = [e["action"] for e in leader.get(f"{base}/audit").json()]
    assert actions == ["audition-made", "entry-added", "round-made", "seed-committed", "drawn", "round-changed"]


def test_a_round_that_nobody_was_told_about_can_be_removed(leader, base):
    made = ok(leader.post(f"{base}/rounds", json={"name": "Mistake", "kind": "final"}))
    ok(leader.delete(f"/api/rounds/{made['id']}"))
    assert leader.get(f"/api/rounds/{made['id']}").status_code == 404
    assert leader.post(f"{base}/rounds", json={"name": "R", "kind": "warm-up"}).status_code == 422
