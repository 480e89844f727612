"""Standard MIDI files: events to a line on the page. Files are put together here byte by byte, or by music21."""

import struct
import warnings
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.domain.errors import BadInput, BadNotation, FairhearingError, TooLarge
from app.files.midi_reading import MOST_MIDI_BYTES
from app.files.notation import list_parts, prepared_musicxml, read_notation
from app.material.quantising import PlayedNote, quantise

TICKS = 480
Event = tuple[float, bytes]  # quarters from the start, message


def variable(number: int) -> bytes:
    out = [number & 0x7F]
    while number := number >> 7:
        out.append(0x80 | number & 0x7F)
    return bytes(reversed(out))


def track(events: list[Event]) -> bytes:
    body, at = b"", 0
    for quarters, message in sorted(events, key=lambda one: one[0]):
        tick = round(quarters * TICKS)
        body += variable(tick - at) + message
        at = tick
    body += b"\x00\xff\x2f\x00"
    return b"MTrk" + struct.pack(">I", len(body)) + body


def midi(*tracks: list[Event], division: int = TICKS) -> bytes:
    head = b"MThd" + struct.pack(">IHHH", 6, 0 if len(tracks) == 1 else 1, len(tracks), division)
    return head + b"".join(track(one) for one in tracks)


def meta(kind: int, data: bytes, at: float = 0.0) -> Event:
    return (at, bytes([0xFF, kind]) + variable(len(data)) + data)


def note(pitch: int, onset: float, length: float, channel: int = 0) -> list[Event]:
    # An end comes before a beginning on the same tick.
    return [(onset, bytes([0x90 | channel, pitch, 80])), (onset + length - 1e-6, bytes([0x80 | channel, pitch, 0]))]


def tempo(bpm: float, at: float = 0.0) -> Event:
    return meta(0x51, round(60_000_000 / bpm).to_bytes(3, "big"), at)


def metre(beats: int, power: int, at: float = 0.0) -> Event:
    return meta(0x58, bytes([beats, power, 24, 8]), at)


def line(*notes: tuple[int, float, float], channel: int = 0) -> list[Event]:
    return [event for one in notes for event in note(*one, channel)]


WALK = line((62, 0, 1), (64, 1, 0.5), (65, 1.5, 0.5), (67, 2, 1.5), (66, 3.5, 0.5), (69, 4, 3))
HEAD = [meta(0x03, b"Clarinet in Bb"), tempo(108), metre(3, 2), meta(0x59, bytes([1, 0]))]


def test_notes_bars_metre_key_and_tempo() -> None:
    piece = read_notation(midi(HEAD + WALK))
    assert [(n.sounding_midi, n.onset_quarters, n.length_quarters) for n in piece.notes] == [
        (62, 0.0, 1.0), (64, 1.0, 0.5), (65, 1.5, 0.5), (67, 2.0, 1.5), (66, 3.5, 0.5), (69, 4.0, 3.0),
    ]  # fmt: skip
    assert [(n.bar, n.beat) for n in piece.notes] == [
        ("1", 1.0), ("1", 2.0), ("1", 2.5), ("1", 3.0), ("2", 1.5), ("2", 2.0),
    ]  # fmt: skip
    assert [(b.beats, b.beat_type) for b in piece.bars] == [(3, 4)] * 3
    assert (piece.tempo_marks[0].beats_per_minute, piece.tempo_marks[0].beat_unit_quarters) == (108.0, 1.0)


def test_written_pitch_follows_from_the_instrument() -> None:
    """A B-flat instrument reads a whole step higher and two sharps more."""
    piece = read_notation(midi(HEAD + WALK))
    assert piece.instrument == "clarinet-bb"
    assert [n.written_pitch for n in piece.notes] == ["E4", "F#4", "G4", "A4", "G#4", "B4"]
    assert piece.bars[0].fifths == 3
    assert (piece.tonic_written, piece.mode) == ("A", "major")
    flute = read_notation(midi(HEAD + WALK), instrument="flute")
    assert [n.written_pitch for n in flute.notes] == ["D4", "E4", "F4", "G4", "F#4", "A4"]
    assert [n.sounding_midi for n in flute.notes] == [n.sounding_midi for n in piece.notes]


def test_a_program_names_the_instrument_where_the_track_does_not() -> None:
    piece = read_notation(midi([(0.0, b"\xc0\x41"), *WALK]))
    assert piece.instrument == "sax-alto"
    assert piece.notes[0].written_midi == 62 + 9
    unnamed = read_notation(midi(WALK))
    assert unnamed.instrument == "other"
    assert any("does not name an instrument" in sentence for sentence in unnamed.warnings)
    assert any("sets no tempo; 120" in sentence for sentence in unnamed.warnings)
    assert unnamed.tempo_assumed


def test_the_key_is_the_one_with_fewest_accidentals_where_none_is_set() -> None:
    e_flat = line(*((pitch, i * 1.0, 1.0) for i, pitch in enumerate((63, 65, 67, 68, 70, 72, 74, 75))))
    piece = read_notation(midi(e_flat), instrument="flute")
    assert piece.bars[0].fifths == -3
    assert [n.written_pitch for n in piece.notes] == ["Eb4", "F4", "G4", "Ab4", "Bb4", "C5", "D5", "Eb5"]
    assert piece.tonic_written is None


def test_compound_metre_and_changes() -> None:
    events = [tempo(81), metre(6, 3), tempo(60, 3.0), metre(2, 2, 3.0)]
    piece = read_notation(midi(events + line((60, 0, 1.5), (62, 1.5, 1.5), (64, 3, 2))), instrument="flute")
    assert [(b.beats, b.beat_type, b.onset_quarters) for b in piece.bars] == [(6, 8, 0.0), (2, 4, 3.0)]
    assert [(m.onset_quarters, m.beat_unit_quarters, round(m.beats_per_minute, 1)) for m in piece.tempo_marks] == [
        (0.0, 1.5, 54.0), (3.0, 1.0, 60.0),
    ]  # fmt: skip


def test_short_ends_are_articulation_and_long_ones_rests() -> None:
    piece = read_notation(midi(line((60, 0, 0.9), (62, 1, 0.45), (64, 2, 0.5), (65, 3, 1))), instrument="flute")
    assert [n.length_quarters for n in piece.notes] == [1.0, 0.5, 0.5, 1.0]
    legato = read_notation(midi(line((60, 0, 1.1), (62, 1, 1.05), (64, 2, 2))), instrument="flute")
    assert [n.length_quarters for n in legato.notes] == [1.0, 1.0, 2.0]


def test_triplets_and_sixteenths_in_one_line() -> None:
    third = 1 / 3
    notes = [(60, 0, third), (62, third, third), (64, 2 * third, third)]
    notes += [(65 + i, 1 + i / 4, 0.25) for i in range(4)]
    piece = read_notation(midi(line(*notes)), instrument="flute")
    assert [n.onset_quarters for n in piece.notes] == pytest.approx([0, third, 2 * third, 1, 1.25, 1.5, 1.75])


def test_a_played_recording_is_put_on_the_grid_and_told() -> None:
    shaky = line((60, 0.03, 0.9), (62, 1.02, 0.4), (64, 1.46, 0.5), (65, 1.98, 1.0), (67, 2.9, 0.9))
    piece = read_notation(midi(shaky), instrument="flute")
    assert [n.onset_quarters for n in piece.notes] == [0.0, 1.0, 1.5, 2.0, 3.0]
    assert any("1 of 5 notes lie off the beat grid" in sentence for sentence in piece.warnings)


def test_chords_are_followed_and_two_lines_refused() -> None:
    piece = read_notation(midi(line((60, 0, 1), (64, 0, 1), (62, 1, 1))), instrument="violin")
    assert piece.notes[0].chord_sounding_midi == (60, 64)
    assert piece.notes[0].written_pitch == "E4"
    with pytest.raises(BadNotation, match="Bar 2 has two lines sounding at once"):
        read_notation(midi(line((60, 0, 4), (72, 4, 4), (62, 6, 1))), instrument="flute")


def test_lines_are_chosen_by_track_and_channel() -> None:
    two = midi([meta(0x03, b"Duo"), tempo(90)], [meta(0x03, b"Flute"), *WALK], [meta(0x03, b"Oboe"), *line((60, 0, 4))])
    assert [(p.name, p.notes, p.instrument) for p in list_parts(two)] == [("Flute", 6, "flute"), ("Oboe", 1, "oboe")]
    with pytest.raises(BadNotation, match="has 2 parts; choose the one that is played: 1 “Flute”, 2 “Oboe”"):
        read_notation(two)
    assert read_notation(two, part="Oboe").notes[0].sounding_midi == 60
    assert read_notation(two, part=0).title == "Duo"
    drums = midi(WALK + line((38, 0, 1), channel=9))
    assert [p.unpitched for p in list_parts(drums)] == [False, True]
    assert read_notation(drums).notes[0].sounding_midi == 62
    beat = read_notation(drums, part=1)
    assert (beat.instrument, beat.notes[0].unpitched) == ("snare-drum", True)


def test_the_page_of_a_midi_file_carries_the_ids_of_its_notes() -> None:
    data = midi(HEAD + WALK)
    page = prepared_musicxml(data).decode()
    piece = read_notation(data)
    assert piece.notes[-1].tied
    assert len(piece.notes[-1].engraved_ids) == 2
    assert all(f'id="{name}"' in page for n in piece.notes for name in n.engraved_ids)
    again = read_notation(page.encode())
    assert [(n.written_pitch, n.onset_quarters, n.length_quarters) for n in again.notes] == [
        (n.written_pitch, n.onset_quarters, n.length_quarters) for n in piece.notes
    ]


def test_a_file_written_by_music21_is_read_back(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import meter, stream
        from music21 import note as m21note
        from music21 import tempo as m21tempo

        written = stream.Part()
        written.append(m21tempo.MetronomeMark(number=72))
        written.append(meter.TimeSignature("3/4"))
        for name, length in (("G4", 1.5), ("A4", 0.5), ("B4", 1.0), ("C5", 2.0), ("F#4", 1.0)):
            written.append(m21note.Note(name, quarterLength=length))
        path = tmp_path / "theirs.mid"
        written.write("midi", fp=str(path))
    piece = read_notation(path.read_bytes(), instrument="flute")
    assert [(n.written_pitch, n.length_quarters) for n in piece.notes] == [
        ("G4", 1.5), ("A4", 0.5), ("B4", 1.0), ("C5", 2.0), ("F#4", 1.0),
    ]  # fmt: skip
    assert piece.tempo_marks[0].beats_per_minute == pytest.approx(72, abs=0.01)


def test_a_wrapped_file_is_unwrapped() -> None:
    plain = midi(HEAD + WALK)
    body = b"RMIDdata" + struct.pack("<I", len(plain)) + plain
    wrapped = b"RIFF" + struct.pack("<I", len(body)) + body
    assert len(read_notation(wrapped).notes) == 6


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (midi([tempo(90)]), "no note in this MIDI file"),
        (midi(WALK)[:40], "is cut off before its end"),
        (b"MThd" + b"\x00" * 10, "is damaged"),
        (midi(WALK, division=0xE728), "film frames"),
        (midi(WALK, division=0), "is damaged"),
        (midi(line((60, 0, 1), (62, 6500, 1))), "longer than an hour"),
    ],
)
def test_what_can_not_be_read_is_said(data: bytes, sentence: str) -> None:
    with pytest.raises(BadInput, match=sentence):
        read_notation(data, instrument="flute")


def test_too_large() -> None:
    with pytest.raises(TooLarge, match="256 kB"):
        read_notation(b"MThd" + b"\x00" * MOST_MIDI_BYTES)


def outcome(data: bytes) -> str:
    try:
        assert read_notation(data, instrument="flute").notes
    except FairhearingError as error:
        return error.sentence
    return ""


GOOD = midi(HEAD + WALK)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 6), st.binary(max_size=4))
def test_a_mangled_file_is_read_or_refused_in_a_sentence(place: int, cut: int, put: bytes) -> None:
    sentence = outcome(GOOD[:place] + put + GOOD[place + cut :])
    assert sentence == "" or sentence.endswith((".", "”."))


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.sampled_from([0.25, 0.5, 0.75, 1.0, 1.5, 2.0]), min_size=1, max_size=30),
    st.lists(st.floats(-0.015, 0.015), min_size=30, max_size=30),
)
def test_small_shakes_do_not_move_a_line(lengths: list[float], shakes: list[float]) -> None:
    onsets = [sum(lengths[:i]) for i in range(len(lengths))]
    played = [
        PlayedNote(max(0.0, onset + shake), onset + length - 0.02, 60)
        for onset, length, shake in zip(onsets, lengths, shakes, strict=False)
    ]
    found = quantise(played)
    assert [float(one.onset) for one in found.notes] == onsets
    assert [float(one.length) for one in found.notes] == lengths
    assert (found.off_grid, found.clash_at) == (0, None)
