"""Standard MIDI files to pieces: one line, ticks to bars, pitches spelled in the key.

music21 decodes the bytes into events (imported on first use); what follows from the events is read here. A MIDI file
says what sounds, so the written pitch follows from the instrument's transposition.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from app.domain.errors import BadNotation, TooLarge
from app.domain.piece import Bar, Piece, PieceNote, TempoMark
from app.files.notation_parts import MOST_NOTES, PartInfo, choose_part
from app.material.instruments import Instrument, instrument, instrument_called, instrument_of_program
from app.material.laying_out import with_heads
from app.material.phrasing import guess_phrases
from app.material.pitch_names import key_alter, spelled
from app.material.quantising import GridNote, PlayedNote, quantise
from app.material.written import felt_beat

MOST_MIDI_BYTES = 256 * 1024  # our choice: a long solo part has some 20 kB
LONGEST_QUARTERS = 6000.0  # our choice: longer than an hour at 96
PERCUSSION_CHANNEL = 10  # General MIDI
DEFAULT_BPM = 120.0  # Standard MIDI Files 1.0, where no tempo is set


@dataclass(slots=True)
class _Line:
    """The notes of one channel of one track."""

    name: str
    channel: int
    program: int | None = None
    notes: list[PlayedNote] = field(default_factory=list)


@dataclass(slots=True)
class _Events:
    """Everything of interest in a file; positions in quarters."""

    title: str = ""
    lines: list[_Line] = field(default_factory=list)
    tempos: list[tuple[float, float]] = field(default_factory=list)  # quarters per minute
    metres: list[tuple[float, int, int]] = field(default_factory=list)
    keys: list[tuple[float, int, bool]] = field(default_factory=list)  # fifths, minor


def midi_parts(data: bytes) -> tuple[PartInfo, ...]:
    """The lines of a MIDI file (channels of tracks) that hold notes."""
    return _infos(_events(data))


def read_midi(data: bytes, *, part: str | int | None = None, instrument: str | None = None) -> Piece:
    """The piece in one line of a MIDI file; see :func:`app.files.notation.read_notation`."""
    events = _events(data)
    info = choose_part(_infos(events), part)
    line = events.lines[info.index]
    if len(line.notes) > MOST_NOTES:
        raise BadNotation(f"This MIDI part has {len(line.notes)} notes; {MOST_NOTES} is the most that is read.")
    player, warnings = _player(info, instrument)
    return _piece(events, line, player, warnings)


def _infos(events: _Events) -> tuple[PartInfo, ...]:
    return tuple(
        PartInfo(
            index=i,
            name=line.name,
            notes=len(line.notes),
            unpitched=line.channel == PERCUSSION_CHANNEL,
            instrument=instrument_called(line.name)
            or (None if line.program is None else instrument_of_program(line.program)),
        )
        for i, line in enumerate(events.lines)
    )


def _player(info: PartInfo, wanted: str | None) -> tuple[Instrument, list[str]]:
    if wanted is not None:
        return instrument(wanted), []
    if info.unpitched:
        return instrument("snare-drum"), []
    if info.instrument is not None:
        return instrument(info.instrument), []
    return instrument("other"), ["The MIDI file does not name an instrument of the list; written is what sounds."]


def _events(data: bytes) -> _Events:
    start = data.find(b"MThd")
    if len(data) - start > MOST_MIDI_BYTES:
        raise TooLarge(f"The MIDI file is larger than {MOST_MIDI_BYTES // 1024} kB; export the solo part alone.")
    _check_whole(data[start:])
    from music21 import midi

    file = midi.MidiFile()
    try:
        file.readstr(data[start:])
        tracks = [list(track.events) for track in file.tracks]
        ticks = int(file.ticksPerQuarterNote)
    except Exception as error:
        # The decoder raises whatever it stumbles on; the file is at fault.
        raise BadNotation("The MIDI file is damaged and can't be read; export it again.") from error
    out = _Events()
    for number, track in enumerate(tracks):
        _track(out, track, number, ticks)
    out.tempos.sort()
    out.metres.sort()
    out.keys.sort()
    if not out.lines:
        raise BadNotation("There is no note in this MIDI file; check that the right part was exported.")
    return out


def _check_whole(data: bytes) -> None:
    """The chunks must be there as announced: the decoder reads a cut-off file as a shorter piece."""
    division = int.from_bytes(data[12:14], "big")
    if len(data) < 14 or data[4:8] != b"\x00\x00\x00\x06" or division == 0:
        raise BadNotation("The MIDI file is damaged and can't be read; export it again.")
    if division & 0x8000:
        raise BadNotation("The MIDI file counts in film frames, not in beats; export it with beats.")
    at, tracks = 14, 0
    while at + 8 <= len(data) and tracks < int.from_bytes(data[10:12], "big"):
        tracks += data[at : at + 4] == b"MTrk"
        at += 8 + int.from_bytes(data[at + 4 : at + 8], "big")
    if at > len(data):
        raise BadNotation("The MIDI file is cut off before its end; export it again.")


def _track(out: _Events, track: Iterable[Any], number: int, ticks: int) -> None:
    name = ""
    at = 0
    lines: dict[int, _Line] = {}
    sounding: dict[tuple[int, int], int] = {}
    programs: dict[int, int] = {}

    def close(channel: int, pitch: int) -> None:
        begun = sounding.pop((channel, pitch), None)
        if begun is not None and at > begun:
            line = lines.setdefault(channel, _Line("", channel))
            line.notes.append(PlayedNote(begun / ticks, at / ticks, pitch))

    for event in track:
        kind = getattr(event.type, "name", "")
        if type(event).__name__ == "DeltaTime":
            at += max(0, int(event.time or 0))
            if at / ticks > LONGEST_QUARTERS:
                raise BadNotation("The MIDI file is longer than an hour; export the piece alone.")
        elif kind == "NOTE_ON" and event.velocity:
            close(event.channel, event.pitch)
            sounding[(event.channel, event.pitch)] = at
        elif kind in ("NOTE_OFF", "NOTE_ON"):
            close(event.channel, event.pitch)
        elif kind == "PROGRAM_CHANGE":
            value = event.data if isinstance(event.data, int) else event.parameter1
            programs.setdefault(event.channel, int(value or 0))
        elif kind == "SEQUENCE_TRACK_NAME":
            name = name or _text(event.data)
        elif kind == "SET_TEMPO":
            _tempo(out, event.data, at / ticks)
        elif kind == "TIME_SIGNATURE" and event.data and len(event.data) >= 2:
            beats, power = event.data[0], event.data[1]
            if 1 <= beats <= 64 and power <= 6:
                out.metres.append((at / ticks, beats, 1 << power))
        elif kind == "KEY_SIGNATURE" and event.data and len(event.data) >= 2:
            fifths = event.data[0] - 256 if event.data[0] > 127 else event.data[0]
            if abs(fifths) <= 7:
                out.keys.append((at / ticks, fifths, event.data[1] == 1))
    for channel, pitch in list(sounding):
        close(channel, pitch)
    if number == 0 and not lines:
        out.title = name
    for channel, line in sorted(lines.items()):
        line.program = programs.get(channel)
        line.name = name or f"Track {number + 1}"
        if len(lines) > 1:
            line.name += f", channel {channel}"
        out.lines.append(line)


def _text(data: Any) -> str:
    raw = data if isinstance(data, bytes) else b""
    return " ".join(raw.decode("utf-8", errors="replace").split())[:120]


def _tempo(out: _Events, data: Any, quarters: float) -> None:
    micros = int.from_bytes(data[:3], "big") if isinstance(data, bytes) else 0
    if micros > 0:
        out.tempos.append((quarters, round(60_000_000 / micros, 2)))


def _piece(events: _Events, line: _Line, player: Instrument, warnings: list[str]) -> Piece:
    quantised = quantise(line.notes)
    shift = 0 if player.unpitched else player.transposition_semitones
    end = max(one.onset + one.length for one in quantised.notes)
    concert, minor = _key(events, quantised.notes)
    # An instrument sounding a whole step lower reads two more sharps: seven semitones are one fifth.
    fifths = (concert - 7 * shift + 5) % 12 - 5
    bars = _bars(events, end, fifths)
    if quantised.clash_at is not None:
        bar = next(one for one in reversed(bars) if one.onset_quarters <= quantised.clash_at)
        raise BadNotation(
            f"Bar {bar.number} has two lines sounding at once; a take is followed along one line, so export the solo "
            "part alone.",
            bar=bar.number,
        )
    if quantised.off_grid:
        warnings = [
            *warnings,
            f"{quantised.off_grid} of {len(quantised.notes)} notes lie off the beat grid, as in a played recording; "
            "check the engraving before you use it.",
        ]
    notes = tuple(_note(i, one, bars, player, shift) for i, one in enumerate(quantised.notes))
    if any(note.chord_sounding_midi for note in notes):
        warnings = [*warnings, "Chords and double stops are followed, but not measured."]
    tempos = events.tempos or [(0.0, DEFAULT_BPM)]
    if not events.tempos:
        warnings = [*warnings, f"The MIDI file sets no tempo; {DEFAULT_BPM:g} to the quarter note is assumed."]
    marks = _tempo_marks(tempos, bars)
    tonic = spelled(60 + (7 * (fifths + (3 if minor else 0))) % 12, fifths).pitch_class if events.keys else None
    piece = Piece(
        title=events.title,
        instrument=player.key,
        transposition_semitones=shift,
        notes=notes,
        bars=bars,
        tempo_marks=marks,
        tonic_written=tonic,
        mode=("minor" if minor else "major") if events.keys else None,
        warnings=tuple(warnings),
        tempo_assumed=not events.tempos,
    )
    return with_heads(replace(piece, phrases=guess_phrases(piece)))


def _key(events: _Events, notes: Iterable[GridNote]) -> tuple[int, bool]:
    """The sounding key signature: as set, else the one that leaves the fewest accidentals."""
    if events.keys:
        return events.keys[0][1], events.keys[0][2]
    weights: Counter[int] = Counter()
    for note in notes:
        for midi in note.sounding_midi:
            weights[midi % 12] += int(note.length * 24)
    scales = {
        fifths: {
            (letter + key_alter(step, fifths)) % 12
            for step, letter in zip("CDEFGAB", (0, 2, 4, 5, 7, 9, 11), strict=True)
        }
        for fifths in range(-5, 7)
    }
    best = min(scales, key=lambda f: (sum(w for pc, w in weights.items() if pc not in scales[f]), abs(f)))
    return best, False


def _bars(events: _Events, end: Fraction, fifths: int) -> tuple[Bar, ...]:
    metres = events.metres or [(0.0, 4, 4)]
    out: list[Bar] = []
    at = Fraction(0)
    while at < end:
        beats, beat_type = next(((b, t) for onset, b, t in reversed(metres) if onset <= at + Fraction(1, 48)), (4, 4))
        length = Fraction(4 * beats, beat_type)
        out.append(
            Bar(
                index=len(out),
                number=str(len(out) + 1),
                onset_quarters=float(at),
                length_quarters=float(length),
                beats=beats,
                beat_type=beat_type,
                felt_beat_quarters=float(felt_beat(beats, beat_type)),
                fifths=fifths,
            )
        )
        at += length
    return tuple(out)


def _note(place: int, one: GridNote, bars: tuple[Bar, ...], player: Instrument, shift: int) -> PieceNote:
    onset = float(one.onset)
    bar = next(b for b in reversed(bars) if b.onset_quarters <= onset + 1e-9)
    written = spelled(one.sounding_midi[-1] - shift, bar.fifths)
    return PieceNote(
        note_id=f"n{place + 1}",
        bar=bar.number,
        bar_index=bar.index,
        beat=1 + (onset - bar.onset_quarters) / bar.felt_beat_quarters,
        onset_quarters=onset,
        length_quarters=float(one.length),
        written_pitch=written.name,
        written_midi=written.midi,
        sounding_midi=one.sounding_midi[-1],
        chord_sounding_midi=one.sounding_midi if len(one.sounding_midi) > 1 else (),
        unpitched=player.unpitched,
    )


def _tempo_marks(tempos: list[tuple[float, float]], bars: tuple[Bar, ...]) -> tuple[TempoMark, ...]:
    marks: list[TempoMark] = []
    for onset, quarters_per_minute in tempos:
        bar = next(b for b in reversed(bars) if b.onset_quarters <= onset)
        unit = bar.felt_beat_quarters
        mark = TempoMark(onset, unit, round(quarters_per_minute / unit, 2))
        if marks and marks[-1].onset_quarters == onset:
            marks.pop()
        if not marks or replace(marks[-1], onset_quarters=onset) != mark:
            marks.append(mark)
    if marks[0].onset_quarters > 0:
        marks.insert(0, replace(marks[0], onset_quarters=0.0))
    return tuple(marks)
