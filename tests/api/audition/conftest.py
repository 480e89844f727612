"""A whole small audition through the public API, with words in it that no panel may ever read."""

import copy
import shutil
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import anyio.from_thread
import pytest
from api_client import Browser
from api_hall import STUDENTS, Hall, all_routes, bar_heard, join, ok, tagged_wav
from fastapi.routing import APIRoute

from app.api.application import create_app
from app.db.types import now_utc
from app.domain.ids import new_id
from app.services import sign_in
from app.settings import Settings


@dataclass(frozen=True)
class Prepared:
    """A hall that was set up once, closed, and is copied for every test: a hundred requests each would take minutes."""

    folder: Path
    hall: Hall


@pytest.fixture(scope="session")
def prepared(tmp_path_factory: pytest.TempPathFactory, _sqlite_template: Path) -> Prepared:
    folder = tmp_path_factory.mktemp("prepared") / "data"
    folder.mkdir()
    shutil.copy(_sqlite_template, folder / "fairhearing.db")
    app = create_app(Settings(data_dir=folder, workers=0))
    with (
        anyio.from_thread.start_blocking_portal() as portal,
        portal.wrap_async_context_manager(app.router.lifespan_context(app)),
    ):

        def visitor(**headers: str) -> Browser:
            return Browser(app, portal, **headers)

        held = app.state.resources
        return Prepared(folder, set_up(first_leader(visitor, held), visitor, held))


@pytest.fixture
def as_prepared(engine: str, request: pytest.FixtureRequest) -> Prepared | None:
    """The hall to copy, for a test that asks for one on SQLite."""
    if engine != "sqlite" or "hall" not in request.fixturenames:
        return None
    found: Prepared = request.getfixturevalue("prepared")
    return found


@pytest.fixture
def settings(settings: Settings, as_prepared: Prepared | None) -> Settings:
    if as_prepared is not None:
        shutil.copytree(as_prepared.folder, settings.data_dir, dirs_exist_ok=True)
    return settings


@pytest.fixture
def leader(browser: Callable[..., Any], held: Any, as_prepared: Prepared | None) -> Any:
    """A browser signed in as the first section leader."""
    return first_leader(browser, held) if as_prepared is None else again(as_prepared.hall.leader, browser)


@pytest.fixture
def hall(leader: Any, browser: Callable[..., Any], held: Any, as_prepared: Prepared | None) -> Hall:
    if as_prepared is None:
        return set_up(leader, browser, held)
    was = as_prepared.hall
    clients = {"leader": leader, "proctor": again(was.proctor, browser)}
    panel = {letter: again(tablet, browser) for letter, tablet in was.panel.items()}
    rest = {f.name: copy.deepcopy(getattr(was, f.name)) for f in fields(was) if f.name not in (*clients, "panel")}
    return Hall(**clients, panel=panel, **rest)


def again(client: Browser, browser: Callable[..., Any]) -> Any:
    """The same device in front of another server."""
    known = browser(**client.headers)
    known.cookies.update(client.cookies)
    return known


def first_leader(browser: Callable[..., Any], held: Any) -> Any:
    """Signs in through the set-up link."""
    secret = held.database.write(lambda s: sign_in.new_setup_secret(s, now=now_utc()))
    visitor = browser(origin="http://testserver")
    reply = visitor.post(
        "/api/setup", json={"setup_token": secret, "name": "Ines Okafor", "password": "reed and ligature"}
    )
    assert reply.status_code == 200, reply.text
    return visitor


def set_up(leader: Any, browser: Callable[..., Any], held: Any) -> Hall:
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    base = f"/api/auditions/{audition}"
    recipe = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}
    piece = ok(leader.post(f"{base}/pieces/generated", json={"recipe": recipe, "title": "Scale"}))["id"]
    entries = {}
    for student in STUDENTS:
        line = {**student, "instrument": "clarinet-bb", "consent_on": "2026-03-01", "consent_by": "Guardian Pemberley"}
        entries[student["name"]] = ok(leader.post(f"{base}/roster", json=line))
    judges = [
        ok(leader.post(f"{base}/adjudicators", json={"name": n})) for n in ("Adalbert Mockridge", "Xylander Thrum")
    ]
    own = ok(leader.get(f"{base}/recusals/proposed"))
    assert [(r["letter"], r["student_name"]) for r in own] == [("B", "Zenobia Quillfeather")]
    ok(
        leader.post(
            f"{base}/recusals",
            json={"adjudicator_id": judges[1]["id"], "entry_id": own[0]["entry_id"], "reason": "Zenobia's teacher"},
        )
    )
    ok(leader.post(f"{base}/rule/declare"))
    round_id = ok(leader.post(f"{base}/rounds", json={"name": "First round", "seats": 1}))["id"]
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    drawn = ok(leader.post(f"/api/rounds/{round_id}/draw"))
    proctor = join(browser, ok(leader.post(f"{base}/proctor-link")))
    panel = {j["letter"]: join(browser, ok(leader.post(f"/api/adjudicators/{j['id']}/link"))) for j in judges}
    room = ok(proctor.get("/api/room"))
    takes = {}
    for candidate in room["candidates"]:
        name, take_id = candidate["name"], new_id()
        form = {"id": take_id, "candidate_id": candidate["candidate_id"], "piece_id": piece}
        sound = (f"{name}_clarinet.wav", tagged_wav(name), "audio/wav")
        ok(proctor.post("/api/takes", data=form, files={"file": sound}))
        takes[candidate["candidate_id"]] = take_id
        held.database.write(lambda s, take_id=take_id: s.add(bar_heard(take_id)))
    secrets = [text for student in STUDENTS for text in student.values()]
    secrets += [part for s in STUDENTS for part in s["name"].split()]
    secrets += ["Pemberley", "Mockridge", "_clarinet.wav", "Ines Okafor"]
    secrets += [line[key] for line in entries.values() for key in ("entry_id", "student_id")]
    everything = Hall(
        leader=leader,
        proctor=proctor,
        panel=panel,
        audition_id=audition,
        round_id=round_id,
        piece_ids=[piece],
        adjudicator_ids={j["letter"]: j["id"] for j in judges},
        candidates=drawn["candidates"],
        entries={name: line["entry_id"] for name, line in entries.items()},
        takes=takes,
        secrets=secrets,
    )
    tablets = ok(leader.get(f"{base}/tablets"))
    recusals = ok(leader.get(f"{base}/recusals"))
    everything.ids = [
        audition,
        round_id,
        piece,
        *everything.adjudicator_ids.values(),
        *(c["candidate_id"] for c in drawn["candidates"]),
        *takes.values(),
        *everything.entries.values(),
        *(line["student_id"] for line in entries.values()),
        *(t["token_id"] for t in tablets),
        *(r["id"] for r in recusals),
    ]
    everything.one_of_each = [
        audition,
        round_id,
        piece,
        everything.adjudicator_ids["A"],
        drawn["candidates"][0]["candidate_id"],
        next(iter(takes.values())),
        next(iter(everything.entries.values())),
        tablets[0]["token_id"],
        recusals[0]["id"],
    ]
    return everything


@pytest.fixture(scope="session")
def route_table() -> list[tuple[str, str, APIRoute]]:
    """(method, path, route) of every route."""
    return [(method, route.path, route) for route in all_routes() for method in sorted(route.methods)]
