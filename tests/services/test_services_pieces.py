"""Pieces through the services: taken in, cut, marked, moved, taken out."""

import json
from dataclasses import replace
from datetime import date

import pytest
from sqlmodel import Session

from app.db.database import Database
from app.db.models import Piece, Round, Take
from app.domain.actor import Actor
from app.domain.errors import BadInput, BadNotation, NotFound, WrongState
from app.material.marking import apply_marks
from app.services import audition, custody, declaring, piece_reading, pieces

LEADER = Actor("leader", "0" * 32)
TUNE = """X:1
T:Two Lanterns
M:3/4
L:1/8
Q:1/4=88
K:G
D2|G2 B2 d2|!trill!c4 {Bc}B2|A2 (FG A)D|G4:|
"""
RECIPE = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "flute", "tempo_bpm": 80}


@pytest.fixture
def audition_id(database: Database) -> str:
    return database.write(
        lambda s: audition.create(s, {"name": "Autumn mock", "held_on": date(2026, 10, 3)}, actor=LEADER)
    ).id


def added(database: Database, audition_id: str, new: pieces.NewPiece) -> Piece:
    return database.write(lambda s: pieces.add(s, audition_id, new, actor=LEADER))


def changed(database: Database, piece_id: str, **changes: object) -> Piece:
    return database.write(lambda s: pieces.change(s, piece_id, changes, actor=LEADER))


def view(database: Database, piece_id: str) -> pieces.PieceView:
    with database.read() as session:
        return pieces.view(session, pieces.get_piece(session, piece_id))


def test_typed_bars_become_a_piece_with_title_tempo_and_notes(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE, instrument="clarinet-bb"))
    seen = view(database, row.id)
    assert (seen.title, seen.kind, seen.instrument, seen.tempo_text) == (
        "Two Lanterns", "abc", "clarinet-bb", "quarter = 88",
    )  # fmt: skip
    assert seen.bars == ("0", "1", "2", "3", "4")
    assert [note.written_pitch for note in seen.notes[:4]] == ["D4", "G4", "B4", "D5"]
    assert (seen.tonic, seen.mode) == ("G", "major")
    assert all(phrase.guessed for phrase in seen.phrases)


def test_the_engraving_names_the_heads_of_the_notes(database: Database, audition_id: str) -> None:
    for new in (pieces.from_abc(TUNE), pieces.from_recipe(RECIPE)):
        row = added(database, audition_id, new)
        page = pieces.musicxml_of(row).decode()
        for note in pieces.load_piece(row).notes:
            assert note.engraved_ids
            assert all(f'id="{name}"' in page for name in note.engraved_ids)


def test_positions_follow_each_other_and_can_be_changed(database: Database, audition_id: str) -> None:
    ids = [added(database, audition_id, pieces.from_recipe(RECIPE, title=title)).id for title in "ABC"]
    changed(database, ids[2], position=0)
    with database.read() as session:
        assert [one.title for one in pieces.views(session, audition_id)] == ["C", "A", "B"]
        assert [one.position for one in pieces.rows(session, audition_id)] == [0, 1, 2]


def test_an_excerpt_keeps_ids_and_starts_at_nought(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE))
    whole = pieces.load_piece(row)
    row = changed(database, row.id, first_bar="2", last_bar="3")
    cut = pieces.load_piece(row)
    assert {note.bar for note in cut.notes} == {"2", "3"}
    assert cut.notes[0].onset_quarters == 0
    by_id = {note.note_id: note.written_pitch for note in whole.notes}
    assert all(by_id[note.note_id] == note.written_pitch for note in cut.notes)
    seen = view(database, row.id)
    assert (seen.first_bar, seen.last_bar, seen.heard_bars) == ("2", "3", ("2", "3"))
    assert seen.bars == ("0", "1", "2", "3", "4")
    back = changed(database, row.id, first_bar=None, last_bar=None)
    assert pieces.load_piece(back).notes == whole.notes


def test_bars_that_are_not_there_are_refused_and_nothing_changes(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE))
    with pytest.raises(BadInput, match="There is no bar 9; this piece has bars 0 to 4"):
        changed(database, row.id, first_bar="9")
    with pytest.raises(BadInput, match="does not come after bar 4"):
        changed(database, row.id, first_bar="4", last_bar="0", repeats=False)
    assert view(database, row.id).first_bar is None


def test_repeats_can_be_left_out(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE))
    twice = len(pieces.load_piece(row).notes)
    row = changed(database, row.id, repeats=False)
    assert 2 * len(pieces.load_piece(row).notes) == twice


def test_phrases_are_marked_checked_and_taken_off(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE))
    notes = pieces.load_piece(row).notes
    phrase = {
        "start_note_id": notes[0].note_id, "peak_note_id": notes[3].note_id, "end_note_id": notes[5].note_id,
    }  # fmt: skip
    row = changed(database, row.id, phrases=[phrase], tonic="g", mode="major")
    seen = view(database, row.id)
    assert [(p.peak_note_id, p.guessed) for p in seen.phrases] == [
        (notes[3].note_id, False),
        (f"{notes[3].note_id}-2", False),
    ]
    assert seen.tonic == "G"
    with pytest.raises(BadInput, match="in playing order"):
        changed(database, row.id, phrases=[phrase | {"peak_note_id": notes[7].note_id}])
    with pytest.raises(BadInput, match="does not have"):
        changed(database, row.id, phrases=[phrase | {"start_note_id": "n999"}])
    with pytest.raises(BadInput, match="overlap"):
        changed(database, row.id, phrases=[phrase, phrase])
    with pytest.raises(BadInput, match="not a note name"):
        changed(database, row.id, tonic="H")
    row = changed(database, row.id, phrases=None, tonic=None, mode=None)
    assert row.leader_marks == {}
    assert all(p.guessed for p in view(database, row.id).phrases)


def test_another_instrument_reads_the_same_page(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE, instrument="clarinet-bb"))
    clarinet, alto = pieces.load_piece(row), pieces.load_piece(row, "sax-alto")
    assert [n.written_pitch for n in clarinet.notes] == [n.written_pitch for n in alto.notes]
    assert [c.sounding_midi - a.sounding_midi for c, a in zip(clarinet.notes, alto.notes, strict=True)] == [
        7 for _ in clarinet.notes
    ]
    trill = next(n for n in alto.notes if n.ornament)
    assert trill.ornament is not None
    assert trill.ornament.sounding_midi == (74 - 9,)  # D above the trilled C, a major sixth lower


def test_a_generated_piece_moves_with_its_instrument(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_recipe(RECIPE))
    assert pieces.load_piece(row).notes[0].sounding_midi == 60
    row = changed(database, row.id, instrument="clarinet-bb")
    assert pieces.load_piece(row).notes[0].written_pitch == "C4"
    assert pieces.load_piece(row).notes[0].sounding_midi == 58


def test_readings_are_kept_and_change_with_marks(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE))
    assert pieces.load_piece(row) is pieces.load_piece(row)
    before = piece_reading.reading_hash(row)
    row = changed(database, row.id, tonic="D")
    assert piece_reading.reading_hash(row) != before
    assert pieces.load_piece(row).tonic_written == "D"
    assert piece_reading.reading_hash(row) != piece_reading.reading_hash(row, "flute")


def a_take(session: Session, audition_id: str, piece_id: str) -> None:
    """A take's row alone; what it would need around it is another test's matter."""
    from app.db.models import Candidate

    round_row = Round(audition_id=audition_id, name="First", piece_ids=[])
    session.add(round_row)
    session.flush()
    from app.db.identities import Entry, Student

    student = Student(name="Ada Example")
    session.add(student)
    session.flush()
    entry = Entry(audition_id=audition_id, student_id=student.id, instrument="flute")
    session.add(entry)
    session.flush()
    candidate = Candidate(round_id=round_row.id, entry_id=entry.id, blind_number="7", playing_order=1)
    session.add(candidate)
    session.flush()
    session.add(
        Take(
            candidate_id=candidate.id,
            piece_id=piece_id,
            sha256="0" * 64,
            size_bytes=1,
            container="wav",
            playback_sha256="0" * 64,
            duration_sec=1.0,
            sample_rate_hz=44100,
            channels=1,
        )
    )


def test_the_first_take_fixes_bars_and_instrument_but_not_marks(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE))
    database.write(lambda s: a_take(s, audition_id, row.id))
    with pytest.raises(WrongState, match="its bars stay"):
        changed(database, row.id, first_bar="2")
    with pytest.raises(WrongState, match="its bars stay"):
        changed(database, row.id, instrument="flute")
    changed(database, row.id, instrument=row.instrument, title="Three Lanterns", tonic="D")
    assert view(database, row.id).title == "Three Lanterns"
    assert view(database, row.id).has_takes
    with pytest.raises(WrongState, match="has a take"):
        database.write(lambda s: pieces.remove(s, row.id, actor=LEADER))
    with pytest.raises(WrongState, match="pieces stay"):
        added(database, audition_id, pieces.from_recipe(RECIPE))


def test_removing_takes_the_piece_out_of_rounds_and_weights(database: Database, audition_id: str) -> None:
    first, second = (added(database, audition_id, pieces.from_recipe(RECIPE, title=t)).id for t in "AB")

    def prepare(session: Session) -> None:
        there = declaring.get_audition(session, audition_id)
        rule = declaring.rule_of(there).to_dict() | {"piece_weights": {first: 40, second: 20}}
        declaring.set_rule(session, audition_id, rule, actor=LEADER)
        session.add(Round(audition_id=audition_id, name="First", piece_ids=[first, second]))

    database.write(prepare)
    database.write(lambda s: pieces.remove(s, first, actor=LEADER))
    with database.read() as session:
        assert [one.id for one in pieces.rows(session, audition_id)] == [second]
        assert declaring.get_audition(session, audition_id).rule["piece_weights"] == {second: 20}
        with pytest.raises(NotFound, match="not there any more"):
            pieces.get_piece(session, first)
        actions = [entry.action for entry in custody.chain_entries(session, audition_id)]
        assert actions.count("piece-added") == 2
        assert actions[-1] == "piece-removed"


@pytest.mark.parametrize("named", [True, False])
def test_a_drawn_round_keeps_its_pieces(database: Database, audition_id: str, named: bool) -> None:
    row = added(database, audition_id, pieces.from_recipe(RECIPE))
    ids = [row.id] if named else []
    database.write(lambda s: s.add(Round(audition_id=audition_id, name="First round", state="drawn", piece_ids=ids)))
    with pytest.raises(WrongState, match="First round is played with this piece"):
        database.write(lambda s: pieces.remove(s, row.id, actor=LEADER))


def test_a_piece_without_notation_says_so(database: Database, audition_id: str) -> None:
    new = pieces.NewPiece("From the blue book, page 12", "untyped", "flute", b"", "")
    row = added(database, audition_id, new)
    seen = view(database, row.id)
    assert seen.notes == ()
    assert seen.warnings[0].startswith("This piece has no notation")
    with pytest.raises(BadNotation, match="no notation"):
        pieces.load_piece(row)


def test_bad_input_is_refused_before_anything_is_saved(database: Database, audition_id: str) -> None:
    with pytest.raises(BadNotation, match="Bar 2 is an eighth note too short"):
        pieces.from_abc("M:4/4\nL:1/8\nCDEF GABc|CDEF GAB|C8|]")
    with pytest.raises(BadNotation, match="is empty"):
        pieces.from_notation(b"")
    with pytest.raises(BadInput, match="no instrument called"):
        pieces.from_abc(TUNE, instrument="kazoo")
    with pytest.raises(BadInput, match="longer than 160"):
        pieces.from_recipe(RECIPE, title="x" * 161)
    with pytest.raises(BadInput, match="leave the range"):
        pieces.from_recipe(RECIPE | {"octaves": 4})
    with pytest.raises(NotFound):
        added(database, "f" * 32, pieces.from_recipe(RECIPE))
    row = added(database, audition_id, pieces.from_recipe(RECIPE))
    with pytest.raises(BadInput, match="no “kind” to change"):
        changed(database, row.id, kind="abc")


def test_a_file_without_an_instrument_takes_its_own(database: Database, audition_id: str) -> None:
    page = pieces.musicxml_of(added(database, audition_id, pieces.from_abc(TUNE, instrument="horn-f")))
    new = pieces.from_notation(page, file_name="My étude.musicxml")
    assert (new.instrument, new.title, new.source_format) == ("horn-f", "Two Lanterns", "musicxml")
    row = added(database, audition_id, replace(new, title="Horn"))
    assert pieces.load_piece(row).notes[0].sounding_midi == 62 - 7


def test_marks_outside_of_the_excerpt_are_left_out_with_a_word(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_abc(TUNE))
    notes = pieces.load_piece(row).notes
    row = changed(database, row.id, phrases=[{"start_note_id": notes[0].note_id, "end_note_id": notes[2].note_id}])
    row = changed(database, row.id, first_bar="3", last_bar="4")
    piece = pieces.load_piece(row)
    assert "One marked phrase lies outside the bars that are heard." in piece.warnings
    assert all(phrase.guessed for phrase in piece.phrases)
    assert apply_marks(piece, {}) == piece


def test_the_recipe_is_kept_as_json(database: Database, audition_id: str) -> None:
    row = added(database, audition_id, pieces.from_recipe(RECIPE))
    assert json.loads(row.source) == RECIPE
    assert (row.kind, row.source_format, row.title) == ("generated", "recipe", "C major scale, 1 octave")


def test_a_file_outside_of_any_audition_is_told_apart_by_its_content() -> None:
    typed = piece_reading.piece_from_file(TUNE.encode(), instrument="flute")
    assert (typed.title, typed.instrument) == ("Two Lanterns", "flute")
    assert piece_reading.piece_from_file(TUNE.encode("utf-8-sig")).instrument == "clarinet-bb"
    made = piece_reading.piece_from_file(json.dumps(RECIPE).encode(), instrument="oboe")
    assert (made.instrument, len(made.notes)) == ("oboe", 15)
    with pytest.raises(BadNotation, match="not valid JSON"):
        piece_reading.piece_from_file(b'{"kind": ')
    with pytest.raises(BadNotation, match="not in UTF-8"):
        piece_reading.piece_from_file(b"X:1\nT:\xff\nK:C\nC8|")
    with pytest.raises(BadNotation, match="not a notation file"):
        piece_reading.piece_from_file(b"hello")
