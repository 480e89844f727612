"""Taking in recordings: what is kept, what is refused, and that nothing is changed afterwards."""

import hashlib
import io
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from plain_wav import wav
from sqlmodel import select

from app.db.database import Database
from app.db.identities import TakeOrigin
from app.db.models import Candidate, Job, Take
from app.domain.actor import Actor
from app.domain.errors import BadAudio, BadInput, Duplicate, NotAllowed, NotFound, WrongState
from app.domain.ids import new_id
from app.files.store import TakeStore
from app.services import custody, declaring, intake, measuring, room

pytestmark = pytest.mark.both_engines

PROCTOR = Actor("proctor", "1" * 32)


@pytest.fixture
def send(database: Database, store: TakeStore, scene: Any) -> Any:
    def send(data: bytes, *, candidate: int = 0, piece: int = 0, own: str | None = None, **changed: Any):  # type: ignore[no-untyped-def]
        fields = {
            "take_id": new_id(),
            "candidate_id": scene.candidate_ids[candidate],
            "piece_id": scene.piece_ids[piece],
            "source": io.BytesIO(data),
            "file_name": "Ada Sample étude.wav",
        }
        return intake.receive(database, store, intake.Upload(**{**fields, **changed}), actor=PROCTOR, audition_id=own)

    return send


def stored_files(store: TakeStore) -> int:
    return len(list(store.every()))


def test_a_take_is_kept_as_received(send: Any, database: Database, store: TakeStore, scene: Any) -> None:
    data = wav(8.0)
    take = send(data)
    assert take.sha256 == hashlib.sha256(data).hexdigest()
    assert store.read(take.sha256) == data
    assert (take.state, take.container, take.channels, take.sample_rate_hz) == ("kept", "wav", 1, 22_050)
    assert take.duration_sec == pytest.approx(8.0)
    assert take.quality["word"] == "fine"
    with database.read() as session:
        row = session.get_one(Take, take.take_id)
        assert len(row.peaks) == 1000
        assert store.read(row.playback_sha256)[:4] == b"RIFF"
        assert session.get_one(TakeOrigin, take.take_id).file_name == "Ada Sample étude.wav"
        assert "Ada" not in row.model_dump_json()
        assert session.get_one(Candidate, scene.candidate_ids[0]).state == "present"  # one of two pieces
        [job] = session.exec(select(Job)).all()
        assert (job.kind, job.subject, job.state) == ("measure-take", take.take_id, "queued")
        entries = custody.chain_entries(session, scene.round_id)
        assert entries[-1].action == "take-received"
        assert entries[-1].facts["sha256"] == take.sha256
        assert custody.first_break(entries) is None


def test_both_pieces_make_a_candidate_heard(send: Any, database: Database, scene: Any) -> None:
    send(wav())
    send(wav(hz=500), piece=1)
    with database.read() as session:
        assert session.get_one(Candidate, scene.candidate_ids[0]).state == "heard"


def test_the_first_take_needs_the_rule_and_freezes_it(database: Database, store: TakeStore, undeclared: Any) -> None:
    upload = intake.Upload(new_id(), undeclared.candidate_ids[0], undeclared.piece_ids[0], io.BytesIO(wav()))
    with pytest.raises(WrongState, match="declare"):
        intake.receive(database, store, upload, actor=PROCTOR)
    assert stored_files(store) == 0
    database.write(lambda s: declaring.declare(s, undeclared.audition_id, actor=PROCTOR))
    upload.source.seek(0)
    intake.receive(database, store, upload, actor=PROCTOR)
    with pytest.raises(WrongState, match="first take"):
        database.write(lambda s: declaring.set_rule(s, undeclared.audition_id, {}, actor=PROCTOR))


def test_sending_the_same_take_again_is_harmless(send: Any, database: Database) -> None:
    take_id, data = new_id(), wav()
    first = send(data, take_id=take_id)
    assert send(data, take_id=take_id) == first
    with database.read() as session:
        assert len(session.exec(select(Take)).all()) == len(session.exec(select(Job)).all()) == 1


def test_sending_the_same_take_many_times_at_once_keeps_it_once(send: Any, database: Database, scene: Any) -> None:
    take_id, data = new_id(), wav()
    with ThreadPoolExecutor(8) as pool:
        views = list(pool.map(lambda _: send(data, take_id=take_id), range(8)))
    assert len({view.take_id for view in views}) == 1
    with database.read() as session:
        assert len(session.exec(select(Take)).all()) == 1
        received = [e for e in custody.chain_entries(session, scene.round_id) if e.action == "take-received"]
        assert len(received) == 1


def test_one_id_for_two_recordings_is_refused(send: Any) -> None:
    take_id = new_id()
    send(wav(), take_id=take_id)
    with pytest.raises(Duplicate, match="own"):
        send(wav(hz=300), take_id=take_id)
    with pytest.raises(Duplicate):
        send(wav(), take_id=take_id, candidate=1)


def test_a_second_take_needs_the_first_voided(send: Any, database: Database) -> None:
    first = send(wav())
    with pytest.raises(WrongState, match="void it"):
        send(wav(hz=300))
    with pytest.raises(BadInput, match="reason"):
        database.write(lambda s: intake.void(s, first.take_id, "  ", actor=PROCTOR))
    voided = database.write(lambda s: intake.void(s, first.take_id, "a fire drill", actor=PROCTOR))
    assert (voided.state, voided.void_reason) == ("voided", "a fire drill")
    second = send(wav(hz=300))
    assert second.replaces == first.take_id
    with pytest.raises(WrongState, match="already"):
        database.write(lambda s: intake.void(s, first.take_id, "again", actor=PROCTOR))
    with database.read() as session:
        assert {t.state for t in session.exec(select(Take)).all()} == {"kept", "voided"}


def test_voiding_makes_a_heard_candidate_present_again(send: Any, database: Database, scene: Any) -> None:
    send(wav())
    second = send(wav(hz=300), piece=1)
    database.write(lambda s: intake.void(s, second.take_id, "a reed broke", actor=PROCTOR))
    with database.read() as session:
        assert session.get_one(Candidate, scene.candidate_ids[0]).state == "present"


def test_a_retake_replaces_only_its_own(send: Any, database: Database) -> None:
    first = send(wav())
    database.write(lambda s: intake.void(s, first.take_id, "noise outside", actor=PROCTOR))
    with pytest.raises(BadInput, match="replaced"):
        send(wav(hz=300), piece=1, replaces=first.take_id)
    assert send(wav(hz=300), replaces=first.take_id).replaces == first.take_id


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "empty"),
        (b"not a recording at all " * 20, "text"),
        (wav(0.3), "play the take again"),
        (wav(2.0)[:20_000], "breaks off"),
    ],
)
def test_what_can_not_be_judged_is_refused_and_noted(
    send: Any, database: Database, store: TakeStore, scene: Any, data: bytes, sentence: str
) -> None:
    with pytest.raises(BadAudio, match=sentence):
        send(data)
    assert stored_files(store) == 0
    with database.read() as session:
        assert session.exec(select(Take)).all() == []
        assert custody.chain_entries(session, scene.round_id)[-1].action == "take-refused"


def test_takes_go_to_the_right_place_only(send: Any, database: Database, scene: Any) -> None:
    with pytest.raises(NotFound, match="candidate"):
        send(wav(), candidate_id=new_id())
    with pytest.raises(NotFound, match="piece"):
        send(wav(), piece_id=new_id())
    with pytest.raises(NotAllowed, match="another audition"):
        send(wav(), own=new_id())
    with pytest.raises(BadInput, match="32"):
        send(wav(), take_id="../x")
    send(wav(), own=scene.audition_id)


def test_nobody_who_is_away_gets_a_take(send: Any, database: Database, scene: Any) -> None:
    database.write(lambda s: room.mark(s, scene.candidate_ids[0], "no-show", "did not come", actor=PROCTOR))
    with pytest.raises(WrongState, match="no-show"):
        send(wav())
    database.write(lambda s: room.mark(s, scene.candidate_ids[0], "late", "bus", actor=PROCTOR))
    send(wav())


def test_an_opened_round_takes_nothing_more(send: Any, database: Database, scene: Any) -> None:
    from app.db.models import Round

    take = send(wav())

    def open_it(session: Any) -> None:
        session.get_one(Round, scene.round_id).state = "opened"

    database.write(open_it)
    with pytest.raises(WrongState, match="opened"):
        send(wav(), piece=1)
    with pytest.raises(WrongState, match="opened"):
        database.write(lambda s: intake.void(s, take.take_id, "late", actor=PROCTOR))
    with pytest.raises(WrongState, match="opened"):
        database.write(lambda s: room.mark(s, scene.candidate_ids[0], "absent", "left", actor=PROCTOR))


# The room ---------------------------------------------------------------------------------------------------------


def test_the_room_knows_names_and_order(send: Any, database: Database, scene: Any) -> None:
    take = send(wav())
    with database.read() as session:
        seen = room.look(session, scene.audition_id)
    assert {c.name for c in seen.candidates} == set(scene.names)
    assert [c.candidate_id for c in seen.candidates] == list(scene.candidate_ids)
    assert [c.playing_order for c in seen.candidates] == [1, 2]
    assert seen.round is not None
    assert seen.round["id"] == scene.round_id
    assert [p["title"] for p in seen.pieces] == ["Scale", "Étude"]
    assert seen.candidates[0].takes[0].take_id == take.take_id
    assert seen.candidates[0].takes[0].word == "look"
    # 7.5 quarter notes at 90; whoever plays 1.5 times as fast is done after two thirds of that.
    assert seen.pieces[0]["marked_sec"] == pytest.approx(7.5 * 60 / 90)
    assert seen.pieces[0]["shortest_sec"] == pytest.approx(5.0 / 1.5)
    assert (
        seen.candidates[0]
        .takes[0]
        .sentences[0]
        .startswith("2 s of playing recorded; the excerpt takes about 5 s at its mark.")
    )
    assert seen.script
    assert seen.candidates[0].consent is True


def test_marking_a_candidate(database: Database, scene: Any) -> None:
    first = scene.candidate_ids[0]
    with pytest.raises(BadInput, match="reason"):
        database.write(lambda s: room.mark(s, first, "withdrawn", "", actor=PROCTOR))
    with pytest.raises(BadInput, match="one of"):
        database.write(lambda s: room.mark(s, first, "asleep", "", actor=PROCTOR))
    with pytest.raises(WrongState, match="heard"):
        database.write(lambda s: room.mark(s, first, "heard", "", actor=PROCTOR))
    with pytest.raises(NotAllowed):
        database.write(lambda s: room.mark(s, first, "present", "", actor=PROCTOR, audition_id=new_id()))
    seen = database.write(lambda s: room.mark(s, first, "late", "the bus", actor=PROCTOR))
    assert (seen.state, seen.state_reason) == ("late", "the bus")
    with database.read() as session:
        entry = custody.chain_entries(session, scene.round_id)[-1]
        assert entry.facts["to"] == "late"
        assert "bus" not in str(entry.facts)  # free text may hold a name; the chain keeps its hash only


# Asking to measure ------------------------------------------------------------------------------------------------


def test_measuring_is_asked_for_once_per_reading(send: Any, database: Database, scene: Any) -> None:
    take = send(wav())

    def ask(session: Any) -> str:
        job = measuring.ask(session, session.get_one(Take, take.take_id))
        assert job is not None
        return job.id

    assert database.write(ask) == database.write(ask)

    def mark_phrases(session: Any) -> None:
        from app.db.models import Piece

        session.get_one(Piece, scene.piece_ids[0]).leader_marks = {"tonic": "C"}

    database.write(mark_phrases)
    assert database.write(lambda s: measuring.ask_for_piece(s, scene.piece_ids[0])) == 1
    with database.read() as session:
        assert len(session.exec(select(Job)).all()) == 2
        shown = measuring.states(session, [take.take_id, new_id()])
        assert shown[take.take_id].state == "queued"
        assert sorted(m.state for m in shown.values()) == ["none", "queued"]


def test_a_voided_take_is_not_measured_again(send: Any, database: Database) -> None:
    take = send(wav())
    database.write(lambda s: intake.void(s, take.take_id, "noise", actor=PROCTOR))
    with pytest.raises(WrongState, match="re-take"):
        database.write(lambda s: measuring.ask_again(s, take.take_id))


def test_bar_positions_say_where_and_not_how_well() -> None:
    notes = [
        {"bar": "1", "onset_sec": 0.5, "grace": False, "status": "played"},
        {"bar": "1", "onset_sec": 1.0, "grace": False, "status": "wrong"},
        {"bar": "2", "onset_sec": 1.4, "grace": True, "status": "played"},
        {"bar": "2", "onset_sec": None, "grace": False, "status": "omitted"},
        {"bar": "2", "onset_sec": 2.00049, "grace": False, "status": "played"},
        {"bar": "1", "onset_sec": 3.0, "grace": False, "status": "played"},
    ]
    assert measuring.bar_positions({"notes": notes}) == [
        {"bar": "1", "at_sec": 0.5},
        {"bar": "2", "at_sec": 2.0},
        {"bar": "1", "at_sec": 3.0},
    ]
    assert measuring.bar_positions({}) == []
