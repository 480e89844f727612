"""A take that nobody has notation of, measured once: twelve notes and a breath, with two pitches that lie off."""

import functools

import numpy as np

from app.domain.findings import Findings
from app.listening.untyped import measure_untyped
from app.material.performing import PerformedNote
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for

INSTRUMENT = "clarinet-bb"
TRANSPOSITION = -2
SOUNDING = (62, 64, 66, 67, 69, 66, 62, 62, 71, 69, 66, 62)
TUNING_CENTS = 6.0  # of the whole take
SHARP_CENTS = 22.0  # of every sounding F sharp, written G sharp, beyond the tuning
LOW_CENTS = -16.0  # of the last note beside the same note before it
BREATH_AFTER = 6  # index of the note
STEP_SEC = 0.55


def performed() -> list[PerformedNote]:
    """The notes as they were played: their level rises to the fifth and falls."""
    notes, at = [], 0.5
    for k, midi in enumerate(SOUNDING):
        off = SHARP_CENTS if midi == 66 else LOW_CENTS if k == len(SOUNDING) - 1 else 0.0
        level = -0.9 * abs(k - 4)
        notes.append(PerformedNote(midi, at, 0.5, cents=TUNING_CENTS + off, level_db=level))
        at += STEP_SEC + (0.5 if k == BREATH_AFTER else 0.0)
    return notes


def heard_sound() -> np.ndarray:
    """The samples of the take at ``SAMPLE_RATE_HZ``."""
    random = np.random.default_rng(1)
    return sound(performed(), voice_for(INSTRUMENT), random, room=Room(0.3, -20.0))


@functools.cache
def heard_findings() -> Findings:
    """The take as it is measured without notation."""
    return measure_untyped(heard_sound(), SAMPLE_RATE_HZ, transposition_semitones=TRANSPOSITION, instrument=INSTRUMENT)
