"""Units: pitch, cents, levels and metronome arithmetic.

Pitch numbers follow the MIDI tuning formula (MIDI 1.0 detailed specification): note 69 is A4.
Reference A4 = 440 Hz is ISO 16:1975.
"""

import math

A4_MIDI = 69
A4_HZ = 440.0  # ISO 16:1975
CENTS_PER_OCTAVE = 1200.0


def midi_to_hz(midi: float, a4_hz: float = A4_HZ) -> float:
    """Frequency in Hz of a (possibly fractional) MIDI note number in equal temperament."""
    return float(a4_hz * 2.0 ** ((midi - A4_MIDI) / 12.0))


def hz_to_midi(hz: float, a4_hz: float = A4_HZ) -> float:
    """Fractional MIDI note number of a frequency in Hz. ``hz`` must be above 0."""
    return A4_MIDI + 12.0 * math.log2(hz / a4_hz)


def cents_between(hz: float, reference_hz: float) -> float:
    """Interval from ``reference_hz`` up to ``hz`` in cents (1200 to the octave)."""
    return CENTS_PER_OCTAVE * math.log2(hz / reference_hz)


def quarter_seconds(beats_per_minute: float, beat_unit_quarters: float) -> float:
    """Seconds one quarter note lasts when ``beats_per_minute`` beats of the given unit go to a minute.

    A dotted quarter is 1.5 quarters: dotted quarter = 54 makes an eighth last 60 / 162 s (common practice).
    """
    return 60.0 / (beats_per_minute * beat_unit_quarters)
