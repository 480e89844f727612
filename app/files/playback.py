"""What a panel hears: the same sound as a plain WAV that says nothing about where it came from."""

import struct
from io import BytesIO
from typing import BinaryIO

import numpy as np

from app.files.audio import FloatSamples

FULL_SCALE = 32767
HEADER_BYTES = 44
PART_SAMPLES = 2**20


def write_rendition(samples: FloatSamples, sample_rate: int, out: BinaryIO) -> None:
    """Write a 16-bit mono WAV of ``samples`` (shape [n], full scale 1.0): a header, the samples, and nothing else.

    Same input, same bytes. Louder than full scale is limited, never wrapped. Works in parts, so that a long take does
    not need its length in memory again.
    """
    length = 2 * samples.size
    out.write(
        struct.pack(
            "<4sI4s4sIHHIIHH4sI",
            b"RIFF",
            HEADER_BYTES - 8 + length,
            b"WAVE",
            b"fmt ",
            16,
            1,  # PCM
            1,  # channel
            sample_rate,
            sample_rate * 2,
            2,
            16,
            b"data",
            length,
        )
    )
    for start in range(0, samples.size, PART_SAMPLES):
        part = samples[start : start + PART_SAMPLES] * np.float32(FULL_SCALE + 1)
        out.write(np.clip(np.rint(part), -FULL_SCALE - 1, FULL_SCALE).astype("<i2").tobytes())


def rendition(samples: FloatSamples, sample_rate: int) -> bytes:
    """The bytes that :func:`write_rendition` writes."""
    out = BytesIO()
    write_rendition(samples, sample_rate, out)
    return out.getvalue()
