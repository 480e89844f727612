"""The bytes of a small WAV file, with one tone in it."""

import io
import wave

import numpy as np


def encoded(frames: bytes, rate: int) -> bytes:
    """A mono WAV file around 16-bit little-endian samples."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(frames)
    return out.getvalue()


def wav(seconds: float = 2.0, hz: float = 440.0, rate: int = 22_050) -> bytes:
    """A quiet tone over fainter noise."""
    time = np.arange(round(seconds * rate)) / rate
    samples = 0.2 * np.sin(2 * np.pi * hz * time) + np.random.default_rng(3).normal(0, 1e-4, time.size)
    return encoded((samples * 32767).astype("<i2").tobytes(), rate)
