"""Synthesising the demonstration's takes, on every core. Runs in spawned processes: what goes in can be pickled."""

import io
import multiprocessing
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import numpy as np
import soundfile

from app.domain.piece import Piece
from app.material.performing import Plan, perform
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for

ROOM = Room(t60_sec=0.45, wet_db=-20.0)  # our choice: a classroom with curtains
NOISE_DB = -62.0  # our choice: a quiet room


def make_wav(piece: Piece, plan: Mapping[str, Any], seed: int) -> bytes:
    """A 16-bit mono WAV of the piece played by the plan; the same seed gives the same bytes."""
    rng = np.random.default_rng(seed)
    fields = {**plan, "faults": tuple(plan.get("faults", ()))}
    notes = perform(piece, Plan(**fields), rng)
    samples = sound(notes, voice_for(piece.instrument), rng, room=ROOM, noise_db=NOISE_DB)
    out = io.BytesIO()
    soundfile.write(out, samples, SAMPLE_RATE_HZ, subtype="PCM_16", format="WAV")
    return out.getvalue()


def make_wavs(jobs: Sequence[tuple[Piece, Mapping[str, Any], int]], processes: int) -> Iterator[bytes]:
    """The takes in order, as they become ready."""
    if processes <= 1:
        yield from (make_wav(*job) for job in jobs)
        return
    with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(make_wav, *zip(*jobs, strict=True))
