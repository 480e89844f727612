"""Decoding a recording to mono samples, streamed and capped.

Conventions: samples are float32, shape [n], full scale 1.0, at the recording's own sample rate. Of several channels
the one with the most energy is taken: the mean of two microphones combs the tone, and a dead channel would halve
the level. Tags and file names are never read.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

import av
import numpy as np
from av.error import FFmpegError
from numpy.typing import NDArray

from app.domain.errors import BadAudio, TooLarge
from app.files.containers import HEAD_BYTES, Container, broken_off, promised_sec, recognise, refuse_broken_off

FloatSamples = NDArray[np.float32]

MAX_SEC = 20 * 60.0  # our choice: the longest étude set is far shorter; also bounds memory (230 MB at 48 kHz)
MIN_SAMPLE_RATE_HZ = 16_000  # our choice: below, the overtones that tone and onsets are heard by are lost
MAX_SAMPLE_RATE_HZ = 192_000  # the highest rate of common recorders
MAX_CHANNELS = 8  # our choice
MAX_DAMAGED_SHARE = 0.01  # our choice: of packets; more is not a take any more
PROMISE_TOLERANCE_SEC = 0.25  # our choice: encoders pad and trim by far less


@dataclass(frozen=True, slots=True)
class Audio:
    """One decoded recording."""

    samples: FloatSamples  # [n] full scale 1.0
    sample_rate: int  # Hz
    channels: int  # in the recording
    container: str  # wav | aiff | flac | mp3 | m4a | aac | ogg | webm
    channel_taken: int  # 0-based
    damaged_packets: int = 0  # pieces that could not be decoded and are missing

    @property
    def duration_sec(self) -> float:
        """Seconds."""
        return self.samples.size / self.sample_rate


def decode(source: bytes | Path, max_sec: float = MAX_SEC) -> Audio:
    """Decode a recording given as bytes or as a file.

    Raises ``BadAudio`` with a sentence for what is empty, broken off, no recording, without sound, damaged or at too
    low a sample rate, and ``TooLarge`` for what is longer than ``max_sec`` (nothing past that is decoded).
    """
    with _opened(source) as file:
        size_bytes = file.seek(0, os.SEEK_END)
        file.seek(0)
        head = file.read(HEAD_BYTES)
        container = recognise(head)
        refuse_broken_off(file, container, size_bytes)
        stream = _Stream(file, container, max_sec)
        first = stream.scan()
        promised = promised_sec(head, container) or first.promised_sec
        if promised is not None and first.length / first.sample_rate < promised - PROMISE_TOLERANCE_SEC:
            raise broken_off(f"{promised:.1f} s are announced and {first.length / first.sample_rate:.1f} s are there")
        if first.last_damaged and container.name in ("aac", "flac"):  # whole frames only, so half a one is a cut
            raise broken_off("its last piece is incomplete")
        if first.damaged > MAX_DAMAGED_SHARE * first.packets and first.damaged > 1:
            raise BadAudio(
                f"The recording is damaged in {first.damaged} places; send it again, or another copy.",
                places=first.damaged,
            )
        channel = int(np.argmax(first.energy))
        samples = stream.collect(channel, first.length)
    return Audio(samples, first.sample_rate, first.energy.size, container.name, channel, first.damaged)


@contextmanager
def _opened(source: bytes | Path) -> Iterator[BinaryIO]:
    if isinstance(source, bytes):
        yield BytesIO(source)
    else:
        with source.open("rb") as file:
            yield file


@dataclass(slots=True)
class _Scan:
    """What a first pass over the whole recording tells, in constant memory."""

    sample_rate: int
    energy: NDArray[np.float64]  # [channels]
    length: int = 0  # samples per channel
    packets: int = 0
    damaged: int = 0
    last_damaged: bool = False
    promised_sec: float | None = None


class _Stream:
    """One recording that is decoded twice: once to look at it, once to take the chosen channel."""

    def __init__(self, file: BinaryIO, container: Container, max_sec: float) -> None:
        self._file = file
        self._container = container
        self._max_sec = max_sec

    def scan(self) -> _Scan:
        """Length, rate, energy per channel; refuses what is too long, too low in rate, or no sound at all."""
        found: _Scan | None = None
        packets = damaged = 0
        last_damaged = False
        promised: float | None = None
        for event in self._blocks():
            if isinstance(event, _Opened):
                promised = event.promised_sec
                if promised is not None and promised > self._max_sec + 1.0:
                    raise self._too_long(promised)
            elif isinstance(event, _Packet):
                if event.empty:  # the flush at the end
                    continue
                packets += 1
                damaged += event.damaged
                last_damaged = event.damaged
            else:
                if found is None:
                    found = _Scan(event.sample_rate, np.zeros(event.samples.shape[0]))
                elif (found.sample_rate, found.energy.size) != (event.sample_rate, event.samples.shape[0]):
                    raise BadAudio("The recording changes its sample rate or channels midway; record it in one piece.")
                if not np.isfinite(event.samples).all():
                    raise BadAudio("The recording holds values that are no sound; export it again as 16 or 24 bit.")
                found.energy += np.einsum("cn,cn->c", event.samples, event.samples, dtype=np.float64)
                found.length += event.samples.shape[1]
                if found.length > self._max_sec * found.sample_rate:
                    raise self._too_long(None)
        if found is None or found.length == 0:
            raise BadAudio("The recording holds no sound (0 seconds); record the take again.")
        if found.sample_rate < MIN_SAMPLE_RATE_HZ:
            raise BadAudio(
                f"The recording was made at {found.sample_rate / 1000:g} kHz, too low to judge tone and pitch; "
                f"record at {MIN_SAMPLE_RATE_HZ // 1000} kHz or more (44.1 or 48 is usual).",
                sample_rate_hz=found.sample_rate,
            )
        if found.sample_rate > MAX_SAMPLE_RATE_HZ or found.energy.size > MAX_CHANNELS:
            raise BadAudio(
                f"The recording has {found.energy.size} channels at {found.sample_rate / 1000:g} kHz; "
                f"export it with at most {MAX_CHANNELS} channels and {MAX_SAMPLE_RATE_HZ // 1000} kHz."
            )
        found.packets, found.damaged, found.last_damaged, found.promised_sec = packets, damaged, last_damaged, promised
        return found

    def collect(self, channel: int, length: int) -> FloatSamples:
        """The samples of one channel, shape [length]."""
        out: FloatSamples = np.empty(length, dtype=np.float32)
        at = 0
        for event in self._blocks():
            if isinstance(event, _Block):
                taken = event.samples[channel]
                out[at : at + taken.size] = taken
                at += taken.size
        return out[:at]

    def _too_long(self, sec: float | None) -> TooLarge:
        what = f"is {sec / 60:.0f} minutes long" if sec is not None else "is too long"
        return TooLarge(
            f"The recording {what} and at most {self._max_sec / 60:g} minutes are taken; send one piece per take.",
            max_sec=self._max_sec,
        )

    def _blocks(self) -> Iterator["_Opened | _Packet | _Block"]:
        """Open, then for every packet whether it was damaged and what it decoded to."""
        self._file.seek(0)
        try:
            with av.open(self._file, mode="r", format=self._container.demuxer, metadata_errors="ignore") as container:
                if not container.streams.audio:
                    raise BadAudio("The file holds no sound track; choose the recording itself.")
                track = container.streams.audio[0]
                yield _Opened(self._promise(container, track))
                yield from self._packets(container, track)
        except FFmpegError as error:
            raise BadAudio(
                "The recording can't be decoded: it is damaged, broken off, or not what it seems; send it again."
            ) from error

    def _packets(self, container: Any, track: Any) -> Iterator["_Packet | _Block"]:
        for packet in container.demux(track):
            try:
                frames = packet.decode()
            except FFmpegError:
                yield _Packet(damaged=True, empty=False)
                continue
            yield _Packet(damaged=bool(packet.is_corrupt), empty=packet.size == 0)
            for frame in frames:
                if frame.samples:
                    yield _Block(to_float(frame), frame.sample_rate)

    def _promise(self, container: Any, track: Any) -> float | None:
        """Seconds the container states; only where it is a statement and not the demuxer's estimate."""
        if self._container.name in ("m4a", "wav", "aiff") and track.duration is not None:
            return float(track.duration * track.time_base)
        if self._container.name == "webm" and container.duration is not None:
            return float(container.duration / av.time_base)
        return None


@dataclass(frozen=True, slots=True)
class _Opened:
    promised_sec: float | None


@dataclass(frozen=True, slots=True)
class _Packet:
    damaged: bool
    empty: bool


@dataclass(frozen=True, slots=True)
class _Block:
    samples: FloatSamples  # [channels, n]
    sample_rate: int


_FULL_SCALE = {"u8": 128.0, "s16": 32768.0, "s32": 2147483648.0, "flt": 1.0, "dbl": 1.0}


def to_float(frame: Any) -> FloatSamples:
    """A decoded frame's samples, shape [channels, n], full scale 1.0."""
    kind: str = frame.format.name.removesuffix("p")
    if kind not in _FULL_SCALE:
        raise BadAudio(f"Recordings in the sample format {kind} can't be read; export the take as 16 or 24 bit.")
    values = frame.to_ndarray()
    if not frame.format.is_planar:
        values = values.reshape(-1, frame.layout.nb_channels).T
    out: FloatSamples = values.astype(np.float32)
    if kind == "u8":
        out -= 128.0
    return out if _FULL_SCALE[kind] == 1.0 else out / np.float32(_FULL_SCALE[kind])
