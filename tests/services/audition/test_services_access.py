"""One-time links, tokens, sign-in, and slowing down guesses."""

import threading
from datetime import timedelta

import pytest
from sqlmodel import select

from app.db.database import Database
from app.db.models import AccessLink, AccessToken
from app.db.types import now_utc
from app.domain.actor import Actor
from app.domain.errors import BadInput, NotAllowed, NotFound, NotSignedIn, TooMany, WrongState
from app.services import access, passwords, sign_in
from app.services.access import AdjudicatorPrincipal, LeaderPrincipal, ProctorPrincipal
from app.services.throttle import Limit, Throttle

pytestmark = pytest.mark.both_engines

NOW = now_utc()
PASSWORD = "reed and ligature"
LEADER = Actor("leader", "0" * 32)


def _leader(database: Database, name: str = "Ines Okafor", password: str = PASSWORD) -> str:
    hashed = passwords.hash_password(password)
    return database.write(lambda s: sign_in.add_leader(s, name=name, password_hash=hashed, actor=LEADER))


def test_a_link_lets_in_once_and_never_again(scene):
    judge = scene.adjudicator("Ada Brandt")
    link = scene.do(access.adjudicator_link, judge, now=NOW)
    admission = scene.database.write(lambda s: access.join(s, link.secret, now=NOW))
    assert isinstance(admission.principal, AdjudicatorPrincipal)
    assert (admission.principal.letter, admission.principal.audition_id) == ("A", scene.audition_id)
    assert scene.look(access.principal_of, admission.token, now=NOW) == admission.principal
    with pytest.raises(NotAllowed, match="used already"):
        scene.database.write(lambda s: access.join(s, link.secret, now=NOW))


def test_of_many_who_use_a_link_at_once_exactly_one_gets_in(scene):
    link = scene.do(access.proctor_link, scene.audition_id, label="Room 1", now=NOW)
    outcomes: list[str] = []

    def knock() -> None:
        try:
            outcomes.append(scene.database.write(lambda s: access.join(s, link.secret, now=NOW)).token)
        except NotAllowed:
            outcomes.append("")

    threads = [threading.Thread(target=knock) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(outcomes) == 12
    assert sum(bool(token) for token in outcomes) == 1


@pytest.mark.parametrize("after", [access.LINK_LIFE, access.LINK_LIFE + timedelta(days=9)])
def test_a_link_grows_too_old(scene, after):
    link = scene.do(access.proctor_link, scene.audition_id, label="", now=NOW)
    with pytest.raises(NotAllowed, match="too old"):
        scene.database.write(lambda s: access.join(s, link.secret, now=NOW + after))


def test_a_withdrawn_link_and_a_replaced_link_let_nobody_in(scene):
    judge = scene.adjudicator("Ada Brandt")
    first = scene.do(access.adjudicator_link, judge, now=NOW)
    second = scene.do(access.adjudicator_link, judge, now=NOW)
    scene.do(access.withdraw, second.link_id, now=NOW)
    for link in (first, second):
        with pytest.raises(NotAllowed, match="withdrawn"):
            scene.database.write(lambda s, link=link: access.join(s, link.secret, now=NOW))


def test_a_withdrawn_token_is_nobody_from_then_on(scene):
    link = scene.do(access.proctor_link, scene.audition_id, label="Room 2", now=NOW)
    admission = scene.database.write(lambda s: access.join(s, link.secret, now=NOW))
    assert isinstance(admission.principal, ProctorPrincipal)
    tablet = scene.look(access.tablets, scene.audition_id, now=NOW)[0]
    assert (tablet.token_id, tablet.label, tablet.state) == (admission.principal.token_id, "Room 2", "in use")
    scene.do(access.withdraw, tablet.token_id, now=NOW)
    assert scene.look(access.principal_of, admission.token, now=NOW) is None
    assert scene.look(access.tablets, scene.audition_id, now=NOW)[0].state == "withdrawn"


def test_tokens_end_by_themselves(scene):
    link = scene.do(access.proctor_link, scene.audition_id, label="", now=NOW)
    admission = scene.database.write(lambda s: access.join(s, link.secret, now=NOW))
    assert scene.look(access.principal_of, admission.token, now=NOW + access.TABLET_TOKEN) is None


def test_only_hashes_of_secrets_are_kept(scene):
    link = scene.do(access.adjudicator_link, scene.adjudicator("Ada Brandt"), now=NOW)
    admission = scene.database.write(lambda s: access.join(s, link.secret, now=NOW))
    with scene.database.read() as session:
        kept = repr([*session.exec(select(AccessLink)).all(), *session.exec(select(AccessToken)).all()])
    assert link.secret not in kept
    assert admission.token not in kept
    assert access.hash_secret(admission.token) in kept


def test_a_link_that_waits_can_be_seen_and_made_useless(scene):
    link = scene.do(access.proctor_link, scene.audition_id, label="Room 3", now=NOW)
    assert [(t.token_id, t.state) for t in scene.look(access.tablets, scene.audition_id, now=NOW)] == [
        (link.link_id, "waiting")
    ]
    scene.do(access.withdraw, link.link_id, now=NOW)
    assert scene.look(access.tablets, scene.audition_id, now=NOW) == []
    with pytest.raises(NotFound):
        scene.do(access.withdraw, "f" * 32, now=NOW)


def test_the_first_leader_comes_through_the_set_up_link_only(database):
    first = database.write(lambda s: sign_in.new_setup_secret(s, now=NOW))
    second = database.write(lambda s: sign_in.new_setup_secret(s, now=NOW))  # the server was started again
    hashed = passwords.hash_password(PASSWORD)

    def set_up(secret):
        return database.write(
            lambda s: sign_in.set_up(s, setup_secret=secret, name=" Ines  Okafor ", password_hash=hashed, now=NOW)
        )

    with pytest.raises(NotAllowed, match="withdrawn"):
        set_up(first)
    with pytest.raises(NotAllowed, match="not known"):
        set_up("guess")
    admission = set_up(second)
    assert isinstance(admission.principal, LeaderPrincipal)
    with database.read() as session:
        assert sign_in.check_sign_in(session, name="Ines Okafor", password=PASSWORD) == admission.principal.leader_id
    with pytest.raises(WrongState, match="set up already"):
        set_up(second)
    assert database.write(lambda s: sign_in.new_setup_secret(s, now=NOW)) is None


def test_a_set_up_link_is_no_join_link_and_a_join_link_sets_nothing_up(scene):
    setup = scene.database.write(lambda s: sign_in.new_setup_secret(s, now=NOW))
    link = scene.do(access.proctor_link, scene.audition_id, label="", now=NOW)
    with pytest.raises(NotAllowed, match="not known"):
        scene.database.write(lambda s: access.join(s, setup, now=NOW))
    with pytest.raises(NotAllowed, match="not known"):
        scene.database.write(
            lambda s: sign_in.set_up(s, setup_secret=link.secret, name="X", password_hash="x", now=NOW)
        )


def test_a_wrong_name_and_a_wrong_password_get_the_same_sentence(database):
    _leader(database)
    said = set()
    for name, password in (("Ines Okafor", "wrong password"), ("Somebody Else", PASSWORD)):
        with database.read() as session, pytest.raises(NotSignedIn) as refusal:
            sign_in.check_sign_in(session, name=name, password=password)
        said.add(refusal.value.sentence)
    assert len(said) == 1


def test_passwords_are_argon2id_and_the_weakest_are_refused():
    assert passwords.hash_password(PASSWORD).startswith("$argon2id$")
    for weak in ("short", "aaaaaaaaaaaa", "x" * 201, "Ines Okafor"):
        with pytest.raises(BadInput):
            passwords.check_new_password(weak, name="ines okafor")
    passwords.check_new_password(PASSWORD, name="Ines Okafor")
    assert not passwords.password_is_right(PASSWORD, None)
    assert not passwords.password_is_right(PASSWORD, "not a hash")


def test_a_device_marker_fits_its_leader_only(database):
    leader_id = _leader(database)
    _leader(database, "Bo Sand", "another good one")
    with database.read() as session:
        marker = sign_in.device_marker(session, leader_id)
        assert sign_in.is_known_device(session, name="Ines Okafor", marker=marker)
        assert not sign_in.is_known_device(session, name="Bo Sand", marker=marker)
        for forged in ("", ".", marker[:-1], "é" * 20 + "." + marker, marker.replace(".", "")):
            assert not sign_in.is_known_device(session, name="Ines Okafor", marker=forged)


def test_failures_count_in_a_sliding_window_and_are_forgotten():
    now = [0.0]
    throttle, limit = Throttle(lambda: now[0]), Limit(3, 60.0)
    for at in (0.0, 10.0, 20.0):
        now[0] = at
        throttle.check("one", limit)
        throttle.failed("one", limit)
    now[0] = 30.0
    throttle.check("another", limit)
    with pytest.raises(TooMany) as refusal:
        throttle.check("one", limit)
    assert refusal.value.facts == {"wait_sec": 30}
    now[0] = 60.5
    throttle.check("one", limit)
    throttle.failed("one", limit)
    throttle.succeeded("one")
    throttle.check("one", limit)


def test_the_throttle_does_not_grow_without_bound(monkeypatch):
    monkeypatch.setattr("app.services.throttle.MOST_KEYS", 50)
    throttle = Throttle(lambda: 0.0)
    for n in range(500):
        throttle.failed(f"key {n}", Limit(3, 60.0))
    assert len(throttle._failures) == 50
