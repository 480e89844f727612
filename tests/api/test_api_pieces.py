"""Pieces over HTTP: files, typed bars, recipes, excerpt and marks, the engraving."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlmodel import Session

from app.api.access import LEADER_COOKIE
from app.api.resources import Resources
from app.db.types import now_utc
from app.domain.actor import SYSTEM
from app.services import sign_in

PAGE = Path(__file__).parents[1] / "files" / "fixtures" / "evening_walk.musicxml"
TUNE = "X:1\nT:Two Lanterns\nM:3/4\nL:1/8\nQ:1/4=88\nK:G\nD2|G2 B2 d2|!trill!c4 {Bc}B2|A2 (FG A)D|G4|]\n"


@pytest.fixture
def leader(browser: Callable[..., Any], held: Resources) -> Any:
    def let_in(session: Session) -> str:
        leader_id = sign_in.add_leader(session, name="Lead", password_hash="no password", actor=SYSTEM)
        return sign_in.start_leader_session(session, leader_id, now=now_utc()).token

    found = browser()
    found.cookies.set(LEADER_COOKIE, held.database.write(let_in))
    return found


@pytest.fixture
def base(leader: Any) -> str:
    made = leader.post("/api/auditions", json={"name": "Autumn mock", "held_on": "2026-10-03"})
    return f"/api/auditions/{made.json()['id']}/pieces"


def good(reply: Any, status: int = 200) -> Any:
    assert reply.status_code == status, reply.text
    return reply.json() if reply.content else None


def refused(reply: Any, status: int, code: str) -> str:
    assert reply.status_code == status, reply.text
    error = reply.json()["error"]
    assert error["code"] == code
    sentence: str = error["sentence"]
    assert sentence.endswith((".", "”."))
    return sentence


def upload(leader: Any, url: str, data: bytes, name: str = "page.musicxml", **fields: str) -> Any:
    return leader.post(url, data=fields, files={"file": (name, data, "application/octet-stream")})


def test_a_file_becomes_a_piece_with_notes_and_engraving(leader: Any, base: str) -> None:
    piece = good(upload(leader, f"{base}/notation", PAGE.read_bytes(), instrument="clarinet-bb"), 201)
    assert (piece["title"], piece["kind"], piece["instrument"]) == ("Evening Walk", "notation", "clarinet-bb")
    assert piece["tempo_text"] == "Walking, dotted quarter = 54"
    assert (piece["bars"][0], piece["bars"][-1]) == ("0", "13")
    assert piece["notes"][0] == {
        "note_id": "n1", "bar": "0", "beat": 2.6667, "written_pitch": "A4", "length_quarters": 0.5, "grace": False,
        "engraved_ids": ["h1"],
    }  # fmt: skip
    svg = leader.get(f"/api/pieces/{piece['id']}/engraving.svg")
    assert svg.status_code == 200
    assert svg.headers["content-type"].startswith("image/svg+xml")
    for note in piece["notes"]:
        assert all(f'id="{name}"' in svg.text for name in note["engraved_ids"])
    assert good(leader.get(base))[0]["id"] == piece["id"]


def test_an_excerpt_is_cut_and_engraved_alone(leader: Any, base: str) -> None:
    piece = good(upload(leader, f"{base}/notation", PAGE.read_bytes()), 201)
    url = f"/api/pieces/{piece['id']}"
    cut = good(leader.patch(url, json={"first_bar": "7", "last_bar": "10", "title": "Middle"}))
    assert (cut["title"], cut["first_bar"], cut["last_bar"]) == ("Middle", "7", "10")
    assert {note["bar"] for note in cut["notes"]} == {"7", "8", "9", "10"}
    svg = leader.get(f"{url}/engraving.svg").text
    heads = [name for note in cut["notes"] for name in note["engraved_ids"]]
    assert all(f'id="{name}"' in svg for name in heads)
    assert 'id="h1"' not in svg
    assert "There is no bar 77" in refused(leader.patch(url, json={"first_bar": "77"}), 422, "bad_input")
    assert good(leader.get(url)) == cut


def test_typed_bars_are_checked_shown_and_added(leader: Any, base: str) -> None:
    wrong = good(leader.post("/api/abc/check", json={"text": TUNE.replace("d2|", "d|"), "instrument": "clarinet-bb"}))
    assert not wrong["ok"]
    assert wrong["sentence"] == "Bar 1 is an eighth note too short: it holds 5 eighth notes where 3/4 asks for 6."
    assert [bar["ok"] for bar in wrong["bars"]] == [True, False, True, True, True]
    assert wrong["svg"].startswith("<svg")
    right = good(leader.post("/api/abc/check", json={"text": TUNE}))
    assert (right["ok"], right["problems"]) == (True, [])
    assert "too short" in refused(
        leader.post(f"{base}/abc", json={"text": TUNE.replace("d2|", "d|")}), 422, "bad_notation"
    )
    piece = good(leader.post(f"{base}/abc", json={"text": TUNE, "instrument": "clarinet-bb"}), 201)
    assert (piece["title"], piece["tempo_text"], piece["tonic"]) == ("Two Lanterns", "quarter = 88", "G")


def test_a_scale_is_generated_marked_and_taken_out(leader: Any, base: str) -> None:
    recipe = {"kind": "scale", "tonic": "Bb", "mode": "major", "octaves": 2, "rhythm": "eighths", "tempo_bpm": 100}
    piece = good(leader.post(f"{base}/generated", json={"recipe": recipe}), 201)
    assert (piece["title"], len(piece["notes"])) == ("Bb major scale, 2 octaves", 29)
    url = f"/api/pieces/{piece['id']}"
    phrase = {"start_note_id": "n1", "peak_note_id": "n15", "end_note_id": "n29"}
    marked = good(leader.patch(url, json={"phrases": [phrase], "tonic": "F"}))
    assert marked["phrases"] == [{**phrase, "guessed": False}]
    assert marked["tonic"] == "F"
    assert 'id="n29h1"' in leader.get(f"{url}/engraving.svg").text
    assert leader.delete(url).status_code == 204
    refused(leader.get(url), 404, "not_found")
    assert good(leader.get(base)) == []


def test_a_piece_can_be_known_by_its_title_alone(leader: Any, base: str) -> None:
    piece = good(leader.post(f"{base}/untyped", json={"title": "Étude 12, blue book", "instrument": "flute"}), 201)
    assert (piece["title"], piece["kind"], piece["instrument"]) == ("Étude 12, blue book", "untyped", "flute")
    assert (piece["bars"], piece["notes"]) == ([], [])
    assert piece["warnings"][0].startswith("This piece has no notation")
    url = f"/api/pieces/{piece['id']}"
    assert good(leader.patch(url, json={"title": "Étude 13"}))["title"] == "Étude 13"
    assert "no notation" in refused(leader.patch(url, json={"first_bar": "3"}), 422, "bad_notation")
    refused(leader.get(f"{url}/engraving.svg"), 422, "bad_notation")
    refused(leader.post(f"{base}/untyped", json={"title": " "}), 422, "bad_input")
    refused(leader.post(f"{base}/untyped", json={"title": "x", "instrument": "kazoo"}), 422, "bad_input")


def test_the_parts_of_a_file_can_be_listed(leader: Any) -> None:
    assert good(upload(leader, "/api/notation/parts", PAGE.read_bytes())) == [
        {"index": 0, "name": "Clarinet in Bb", "notes": 47, "unpitched": False, "instrument": "clarinet-bb"}
    ]


def test_bad_input_is_one_sentence(leader: Any, base: str) -> None:
    assert "empty" in refused(upload(leader, f"{base}/notation", b""), 422, "bad_notation")
    assert "not a notation file" in refused(upload(leader, f"{base}/notation", b"%PDF"), 422, "bad_notation")
    big = b"<" + b" " * (9 * 2**20)
    assert "MB" in refused(upload(leader, f"{base}/notation", big), 413, "too_large")
    recipe = {"kind": "scale", "tonic": "H"}
    assert "note name" in refused(leader.post(f"{base}/generated", json={"recipe": recipe}), 422, "bad_input")
    refused(leader.post(f"/api/auditions/{'0' * 32}/pieces/abc", json={"text": TUNE}), 404, "not_found")
    refused(leader.get(f"/api/auditions/{'0' * 32}/pieces"), 404, "not_found")
    refused(leader.post("/api/abc/check", json={"text": TUNE, "instrument": "kazoo"}), 422, "bad_input")


def test_only_a_leader_sees_pieces(browser: Callable[..., Any], base: str) -> None:
    stranger = browser()
    refused(stranger.get(base), 401, "not_signed_in")
    refused(stranger.post("/api/abc/check", json={"text": TUNE}), 401, "not_signed_in")


def test_the_server_starts_without_libraries_that_are_slow_to_load(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; import app.cli.serving; from app.api.application import create_app; "
        "from app.settings import Settings; create_app(Settings(data_dir=Path(sys.argv[1]))); print(*sys.modules)"
    )
    command = [sys.executable, "-c", code, str(tmp_path)]
    loaded = subprocess.run(command, check=True, timeout=120, capture_output=True, text=True).stdout.split()
    slow = {"music21", "verovio", "librosa", "numba", "scipy.stats", "scipy.signal", "pandas", "matplotlib", "openpyxl"}
    assert "app.services.standing" in loaded
    assert not slow & set(loaded)
