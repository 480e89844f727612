"""Getting in over HTTP: set-up, sign-in, sessions, other sites' pages, guesses, join links, the demo's doors."""

import httpx
import pytest
from api_hall import join, ok

from app.api.application import create_app
from app.db.types import now_utc
from app.services import demo_doors, sign_in
from app.services.throttle import JOIN_PER_ADDRESS, SIGN_IN_PER_NAME
from app.settings import Settings

GOOD = {"name": "Ines Okafor", "password": "reed and ligature"}
BAD = {"name": "Ines Okafor", "password": "not the password"}


@pytest.fixture
def from_address(app, browser):
    """Makes a visitor whose requests come from another machine."""

    def make(address, **headers):
        visitor = browser(**headers)
        visitor._client._transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=(address, 5000))
        return visitor

    return make


def test_the_set_up_link_works_once_and_signs_in(browser, held):
    visitor = browser()
    assert visitor.get("/api/session").json()["needs_setup"] is True
    secret = held.database.write(lambda s: sign_in.new_setup_secret(s, now=now_utc()))
    weak = visitor.post("/api/setup", json={"setup_token": secret, "name": "Ines Okafor", "password": "short"})
    assert (weak.status_code, weak.json()["error"]["code"]) == (422, "bad_input")
    entered = ok(visitor.post("/api/setup", json={"setup_token": f"http://testserver/#{secret}", **GOOD}))
    assert (entered["role"], entered["token"]) == ("leader", None)
    assert visitor.get("/api/session").json() == {
        "role": "leader",
        "audition_id": None,
        "audition_name": None,
        "adjudicator": None,
        "needs_setup": False,
        "demo": False,
    }
    again = browser().post("/api/setup", json={"setup_token": secret, **GOOD})
    assert again.status_code == 409


def test_the_session_cookie_is_out_of_reach_of_scripts_and_of_other_sites(leader, browser):
    reply = browser().post("/api/sign-in", json=GOOD)
    cookie = next(c for c in reply.headers.get_list("set-cookie") if c.startswith("fh_leader="))
    for part in ("HttpOnly", "SameSite=strict", "Path=/"):
        assert part in cookie
    assert "Secure" not in cookie  # plain http here
    secure = browser()
    secure._client.base_url = httpx.URL("https://testserver")
    assert "Secure" in secure.post("/api/sign-in", json=GOOD).headers["set-cookie"]


def test_a_session_brought_along_is_never_taken_up(leader, browser):
    visitor = browser()
    visitor.cookies.set("fh_leader", "planted by somebody else")
    ok(visitor.post("/api/sign-in", json=GOOD))
    mine = [c.value for c in visitor.cookies.jar if c.name == "fh_leader" and c.value != "planted by somebody else"]
    assert mine
    first, second = browser(), browser()
    ok(first.post("/api/sign-in", json=GOOD))
    ok(second.post("/api/sign-in", json=GOOD))
    assert first.cookies["fh_leader"] != second.cookies["fh_leader"]


def test_signing_out_ends_the_session_on_the_server_too(leader, browser):
    stolen = browser()
    stolen.cookies.set("fh_leader", leader.cookies["fh_leader"])
    assert stolen.get("/api/auditions").status_code == 200
    ok(leader.post("/api/sign-out"))
    assert "fh_leader" not in leader.cookies
    assert stolen.get("/api/auditions").status_code == 401
    assert stolen.get("/api/session").json()["role"] is None


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://elsewhere.example"},
        {"origin": "http://testserver.elsewhere.example"},
        {"origin": "http://testserver:81"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "cross-site", "origin": "http://testserver"},
    ],
)
def test_other_sites_pages_can_change_nothing(leader, headers):
    for method, path, body in (
        ("POST", "/api/auditions", {"name": "Planted", "held_on": "2026-03-14"}),
        ("POST", "/api/sign-out", None),
        ("POST", "/api/sign-in", GOOD),
        ("POST", "/api/setup", {"setup_token": "x", **GOOD}),
        ("POST", "/api/join", {"link": "x"}),
    ):
        reply = leader.request(method, path, json=body, headers=headers)
        assert (reply.status_code, reply.json()["error"]["code"]) == (403, "not_allowed"), path
    assert leader.get("/api/auditions", headers=headers).json() == []


def test_our_own_pages_and_programs_may(leader, browser):
    for headers in ({}, {"sec-fetch-site": "same-origin"}, {"sec-fetch-site": "none"}):
        body = {"name": "Mine", "held_on": "2026-03-14"}
        assert leader.post("/api/auditions", json=body, headers=headers).status_code == 201
    program = browser()
    program.cookies.set("fh_leader", leader.cookies["fh_leader"])
    assert program.post("/api/auditions", json={"name": "Mine", "held_on": "2026-03-14"}).status_code == 201


def test_guessing_is_slowed_down_and_locks_nobody_else_out(leader, from_address):
    guesser, leaders_phone = from_address("10.0.0.66"), from_address("10.0.0.7")
    for _ in range(SIGN_IN_PER_NAME.failures):
        assert guesser.post("/api/sign-in", json=BAD).status_code == 401
    refused = guesser.post("/api/sign-in", json=GOOD)
    assert (refused.status_code, refused.json()["error"]["code"]) == (429, "too_many")
    assert "wait" in refused.json()["error"]["sentence"]
    assert "retry-after" in refused.headers
    assert leaders_phone.post("/api/sign-in", json=GOOD).status_code == 200


def test_a_device_known_here_gets_in_although_a_guesser_shares_its_address(leader, from_address):
    phone, guesser = from_address("10.0.0.7"), from_address("10.0.0.7")
    assert phone.post("/api/sign-in", json=GOOD).status_code == 200
    for _ in range(SIGN_IN_PER_NAME.failures):
        guesser.post("/api/sign-in", json=BAD)
    assert guesser.post("/api/sign-in", json=GOOD).status_code == 429
    assert phone.post("/api/sign-in", json=GOOD).status_code == 200


def test_a_good_link_gets_in_however_many_bad_ones_were_tried(leader, from_address):
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    link = ok(leader.post(f"/api/auditions/{audition}/proctor-link"))
    guesser = from_address("10.0.0.66")
    codes = [
        guesser.post("/api/join", json={"link": f"guess {n}"}).status_code for n in range(JOIN_PER_ADDRESS.failures + 5)
    ]
    assert codes == [403] * JOIN_PER_ADDRESS.failures + [429] * 5
    assert guesser.post("/api/join", json={"link": link["url"]}).status_code == 200


def test_a_join_link_is_an_address_and_a_picture_and_works_once(leader, browser):
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    judge = ok(leader.post(f"/api/auditions/{audition}/adjudicators", json={"name": "Ada Brandt"}))
    assert (judge["letter"], judge["joined"]) == ("A", False)
    link = ok(leader.post(f"/api/adjudicators/{judge['id']}/link"))
    assert link["url"].startswith("http://testserver/join.html#")
    assert link["qr_svg"].startswith("<svg")
    assert "style" not in link["qr_svg"]  # the policy of our pages strips styles
    assert link["secure"] is None  # this server has no secure address
    tablet = join(browser, link)
    assert tablet.get("/api/session").json() == {
        "role": "adjudicator",
        "audition_id": audition,
        "audition_name": "Spring mock",
        "adjudicator": {"id": judge["id"], "letter": "A"},
        "needs_setup": False,
        "demo": False,
    }
    assert browser().post("/api/join", json={"link": link["url"]}).status_code == 403
    assert leader.get(f"/api/auditions/{audition}/adjudicators").json()[0]["joined"] is True
    named = ok(leader.post(f"/api/auditions/{audition}/proctor-link", json={"label": "Room 2"}))
    assert join(browser, named).get("/api/session").json()["role"] == "proctor"
    tablets = leader.get(f"/api/auditions/{audition}/tablets").json()
    assert [(t["label"], t["state"]) for t in tablets] == [("Adjudicator A", "in use"), ("Room 2", "in use")]


def test_join_links_begin_with_the_public_address_when_one_is_set(leader, held):
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]
    held.settings.public_url = "https://mock.example/"
    link = ok(leader.post(f"/api/auditions/{audition}/proctor-link"))
    assert link["url"].startswith("https://mock.example/join.html#")
    ours = {"origin": "https://mock.example"}
    assert leader.post("/api/auditions", json={"name": "B", "held_on": "2026-03-14"}, headers=ours).status_code == 201


@pytest.fixture
def demo(settings, portal):
    """A server of the demo with one audition."""
    app = create_app(Settings(data_dir=settings.data_dir / "demo", workers=0, demo=True))
    with portal.wrap_async_context_manager(app.router.lifespan_context(app)):
        yield app


def test_the_demos_doors_let_in_without_a_password_from_the_machine_itself_only(demo, browser, settings):
    def visitor(address="127.0.0.1", **headers):
        made = browser(**headers)
        made._client._transport = httpx.ASGITransport(demo, raise_app_exceptions=False, client=(address, 5000))
        return made

    here = visitor()
    assert here.get("/api/demo/doors").json() == []
    assert here.post("/api/demo/enter", json={"role": "leader"}).status_code == 409
    database = demo.state.resources.database
    secret = database.write(lambda s: sign_in.new_setup_secret(s, now=now_utc()))
    ok(here.post("/api/setup", json={"setup_token": secret, **GOOD}))
    audition = ok(here.post("/api/auditions", json={"name": "Demo", "held_on": "2026-03-14"}))["id"]
    judge = ok(here.post(f"/api/auditions/{audition}/adjudicators", json={"name": "Ada Brandt"}))["id"]
    guest = visitor()
    doors = guest.get("/api/demo/doors").json()
    assert [(d["role"], d["label"]) for d in doors] == [
        ("leader", "Section leader"),
        ("proctor", "Recording room"),
        ("adjudicator", "Adjudicator A"),
    ]
    assert ok(guest.post("/api/demo/enter", json={"role": "leader"}))["audition_id"] == audition
    assert guest.get("/api/auditions").status_code == 200
    entered = ok(guest.post("/api/demo/enter", json={"role": "adjudicator", "adjudicator_id": judge}))
    assert visitor(Authorization=f"Bearer {entered['token']}").get("/api/panel").status_code == 200
    room = ok(guest.post("/api/demo/enter", json={"role": "proctor"}))
    assert visitor(Authorization=f"Bearer {room['token']}").get("/api/room").status_code == 200
    assert guest.post("/api/demo/enter", json={"role": "adjudicator"}).status_code == 422
    wrong = {"role": "adjudicator", "adjudicator_id": "0" * 32}
    assert guest.post("/api/demo/enter", json=wrong).status_code == 404
    foreign = guest.post("/api/demo/enter", json={"role": "leader"}, headers={"origin": "https://elsewhere.example"})
    assert foreign.status_code == 403
    for address in ("192.168.1.20", "203.0.113.9", "::ffff:10.0.0.1", "somewhere"):
        assert visitor(address).get("/api/demo/doors").status_code == 404
        assert visitor(address).post("/api/demo/enter", json={"role": "leader"}).status_code == 404


def test_the_demo_leads_to_the_audition_made_last(demo):
    assert demo.state.resources.database.write(demo_doors.doors) == []


def test_a_link_made_on_the_machine_itself_leads_tablets_to_its_network_address(leader, held, monkeypatch):
    monkeypatch.setattr("app.services.addresses.network_address", lambda: "192.0.2.44")
    audition = ok(leader.post("/api/auditions", json={"name": "Spring mock", "held_on": "2026-03-14"}))["id"]

    def link(base):
        leader._client.base_url = httpx.URL(base)
        session = {"fh_leader": next(c.value for c in leader.cookies.jar if c.name == "fh_leader")}
        headers = {"origin": base, "cookie": f"fh_leader={session['fh_leader']}"}
        return ok(leader.post(f"/api/auditions/{audition}/proctor-link", headers=headers))["url"].partition("#")[0]

    assert link("http://localhost:8123") == "http://localhost:8123/join.html"  # nothing else reaches this server
    held.settings.host = "0.0.0.0"
    assert link("http://localhost:8123") == "http://192.0.2.44:8123/join.html"
    assert link("http://127.0.0.1:8123") == "http://192.0.2.44:8123/join.html"
    assert link("http://laptop.school:8123") == "http://laptop.school:8123/join.html"
