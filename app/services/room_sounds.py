"""What the recording room sounds, as the audition declares: tuning note, count-in, metronome, a click through takes."""

from dataclasses import asdict, dataclass
from typing import Any

from sqlmodel import Session

from app.db.models import Audition, Piece
from app.domain import piece as domain
from app.domain.errors import BadInput, NotAllowed, NotFound
from app.material.instruments import INSTRUMENTS, can_be_tuned
from app.services.piece_reading import has_notation, load_piece

MOST_COUNT_IN_BARS = 4  # our choice
#: Names of the twelve written pitch classes a sounding A may have, by semitones above it.
_WRITTEN_A = ("A", "Bb", "B", "C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab")


@dataclass(frozen=True, slots=True)
class RoomSounds:
    """What is sounded before a take. Only ``click`` goes on through it; all else ends before recording begins."""

    tuning_note: bool = True
    count_in_bars: int = 0
    metronome: bool = False
    click: bool = False  # takes are played to an audible click at the mark: rhythm is judged on its grid

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON values."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Pulse:
    """How a piece is counted in: felt beats of its first whole bar at its first mark."""

    beats_per_minute: float
    beats: int  # to the bar
    count_in_beats: int  # 0: none is declared
    assumed: bool  # no mark is printed
    sentence: str


def sounds_of(audition: Audition) -> RoomSounds:
    """What this audition declares."""
    return RoomSounds(**audition.room_sounds)


def checked(values: dict[str, Any]) -> dict[str, Any]:
    """The values to keep; raises ``BadInput`` for what can't be sounded."""
    sounds = RoomSounds(**values)
    if not 0 <= sounds.count_in_bars <= MOST_COUNT_IN_BARS:
        raise BadInput(f"A count-in has at most {MOST_COUNT_IN_BARS} bars; choose from 0 to {MOST_COUNT_IN_BARS}.")
    return sounds.to_dict()


def written_a(instrument: str) -> str:
    """What a player of ``instrument`` calls the sounding A: "B" for a clarinet in B flat; "" where nothing is tuned."""
    if not can_be_tuned(instrument):
        return ""
    known = INSTRUMENTS.get(instrument)
    return _WRITTEN_A[-known.transposition_semitones % 12] if known is not None else "A"


def pulse(session: Session, piece_id: str, *, audition_id: str | None = None) -> Pulse:
    """How this piece is counted in. ``audition_id`` limits a recording room's tablet to its own audition."""
    row = session.get(Piece, piece_id)
    if row is None:
        raise NotFound("This piece is not there any more; reload the page.")
    if audition_id not in (None, row.audition_id):
        raise NotAllowed("This tablet belongs to another audition's recording room.")
    if not has_notation(row):
        raise NotFound("This piece has no notation, so nothing says how fast it is counted.")
    bars = sounds_of(session.get_one(Audition, row.audition_id)).count_in_bars
    return pulse_of(load_piece(row, None), bars)


def pulse_of(piece: domain.Piece, count_in_bars: int) -> Pulse:
    """The pulse of ``piece``. Before an upbeat the count fills the first bar as well, so that the downbeat is right."""
    mark = piece.tempo_marks[0]
    first = piece.bars[0]
    whole = piece.bars[1] if len(piece.bars) > 1 and first.length_quarters < _full(first) else first
    beats = max(1, round(_full(whole) / whole.felt_beat_quarters))
    upbeat = 0.0 if whole is first else first.length_quarters / first.felt_beat_quarters
    count = 0 if count_in_bars == 0 else count_in_bars * beats + (round(beats - upbeat) if upbeat else 0)
    per_minute = 60.0 / (mark.quarter_sec * whole.felt_beat_quarters)
    text = f"{beats} beat{'s' if beats != 1 else ''} to the bar, {per_minute:.0f} to the minute"
    return Pulse(
        beats_per_minute=round(per_minute, 3),
        beats=beats,
        count_in_beats=count,
        assumed=piece.tempo_assumed,
        sentence=f"{text} (no mark is printed)." if piece.tempo_assumed else f"{text}.",
    )


def _full(bar: domain.Bar) -> float:
    """Length of a whole bar of this metre, in quarter notes."""
    return bar.beats * 4.0 / bar.beat_type
