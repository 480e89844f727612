"""A recording of hours: decoded once in blocks for the listening rooms, and cut without loss.

Nothing here holds more than a few seconds of sound. Positions are seconds from the first decoded sample.
"""

import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import av
import numpy as np
import soxr
from av.error import FFmpegError
from numpy.typing import NDArray

from app.domain.errors import BadAudio, BadInput, TooLarge
from app.files.audio import MAX_CHANNELS, MAX_SAMPLE_RATE_HZ, MIN_SAMPLE_RATE_HZ, FloatSamples, to_float
from app.files.containers import HEAD_BYTES, Container, recognise, refuse_broken_off

MAX_HOURS = 14.0  # our choice: longer than any audition day
WORKING_RATE_HZ = 22_050  # the rate the listening rooms work at
WORKING_BYTES = 2  # 16 bit: its noise lies far under any hall's
PEAKS_A_SEC = 10
COLUMNS = 6000  # of the timeline picture: 2.4 s each in four hours (our choice)
CHOOSING_SEC = 5.0  # the loudest channel is chosen anew so often: one that dies is left (our choice)
RUN_UP_SEC = 2.0  # decoded and dropped before a cut, so that a codec that looks back sounds as it does in one piece

BROKEN = "The recording breaks off: its end is missing. What is here was used; send the whole file if you have it."


@dataclass(frozen=True, slots=True)
class Survey:
    """What a pass over the whole recording tells."""

    container: str
    sample_rate: int  # Hz
    channels: int
    duration_sec: float
    peaks: list[float]  # at most COLUMNS equal parts, 0 to 1
    notes: list[str]  # sentences worth knowing


def survey(source: Path, out: BinaryIO, told: Callable[[float], None] = lambda share: None) -> Survey:
    """Decode everything to ``out`` as 16-bit mono samples at the working rate, and tell what it is.

    ``told`` hears the share of the file that is done. Raises ``BadAudio`` or ``TooLarge`` with a sentence for what
    can't be used; a recording that breaks off (an empty battery) is used as far as it goes, with a note.
    """
    notes: list[str] = []
    with _opened(source) as (file, container, size_bytes):
        try:
            refuse_broken_off(file, container, size_bytes)
        except BadAudio:
            notes.append(BROKEN)
        writer = _Writer(out)
        damaged = 0
        for event in _blocks(file, container):
            if event is None:
                damaged += 1
                continue
            writer.take(to_float(event), int(event.sample_rate))
            told(min(1.0, file.tell() / max(1, size_bytes)))
        writer.finish()
    if writer.length == 0:
        raise BadAudio("The recording holds no sound (0 seconds); choose another file.")
    if damaged:
        where = "1 place" if damaged == 1 else f"{damaged} places"
        notes.append(f"The recording is damaged in {where}; listen there before you confirm.")
    return Survey(
        container.name,
        writer.sample_rate,
        writer.channels,
        writer.length / writer.sample_rate,
        _columns(writer.peaks),
        notes,
    )


def cut_out(source: Path, start_sec: float, end_sec: float, out: BinaryIO) -> None:
    """Write the stretch from ``start_sec`` to ``end_sec`` to ``out`` as a WAV with every sample as it was decoded.

    All channels, the recording's own sample rate and sample format; the same stretch gives the same bytes. ``out`` must
    be seekable. Raises ``BadInput`` when nothing of the recording lies there.
    """
    if not 0.0 <= start_sec < end_sec:
        raise BadInput("A cut must begin before it ends.")
    with _opened(source) as (file, container, _):
        written = 0
        shape: tuple[int, int, str] | None = None
        for at, frame in _from(file, container, max(0.0, start_sec - RUN_UP_SEC)):
            rate = int(frame.sample_rate)
            first, last = round(start_sec * rate), round(end_sec * rate)
            if at >= last:
                break
            values, kind = _native(frame)
            part = values[max(0, first - at) : max(0, last - at)]
            if not len(part):
                continue
            if shape is None:
                shape = (rate, values.shape[1], kind)
                out.write(_head(*shape, 0))
            elif shape != (rate, values.shape[1], kind):
                raise BadAudio("The recording changes its sample rate or channels midway; record it in one piece.")
            written += out.write(part.tobytes())
        if shape is None:
            raise BadInput("Nothing of the recording lies in this stretch; reload the page.")
        if written % 2:
            out.write(b"\0")
        out.seek(0)
        out.write(_head(*shape, written))


@contextmanager
def _opened(source: Path) -> Iterator[tuple[BinaryIO, Container, int]]:
    with source.open("rb") as file:
        container = recognise(file.read(HEAD_BYTES))
        file.seek(0)
        yield file, container, source.stat().st_size


@contextmanager
def _track(file: BinaryIO, container: Container) -> Iterator[tuple[Any, Any]]:
    file.seek(0)
    try:
        with av.open(file, mode="r", format=container.demuxer, metadata_errors="ignore") as opened:
            if not opened.streams.audio:
                raise BadAudio("The file holds no sound track; choose the recording itself.")
            yield opened, opened.streams.audio[0]
    except FFmpegError as error:
        raise BadAudio(
            "The recording can't be decoded: it is damaged, or not what it seems; copy it from the recorder again."
        ) from error


def _blocks(file: BinaryIO, container: Container) -> Iterator[Any]:
    """Every decoded frame in order; None for a packet that can't be decoded."""
    with _track(file, container) as (opened, track):
        for packet in opened.demux(track):
            try:
                frames = packet.decode()
            except FFmpegError:
                yield None
                continue
            yield from (frame for frame in frames if frame.samples)


def _from(file: BinaryIO, container: Container, start_sec: float) -> Iterator[tuple[int, Any]]:
    """Frames from about ``start_sec`` on, each with the place of its first sample in the whole recording."""
    with _track(file, container) as (opened, track):
        zero = track.start_time or 0
        if start_sec > 0.0:
            opened.seek(zero + round(start_sec / track.time_base), stream=track, backward=True)
        for packet in opened.demux(track):
            try:
                frames = packet.decode()
            except FFmpegError:
                continue
            for frame in frames:
                if frame.samples and frame.pts is not None:
                    yield round(float((frame.pts - zero) * frame.time_base) * frame.sample_rate), frame


@dataclass(slots=True)
class _Writer:
    """Samples that come in frame by frame, made mono, brought to the working rate, written."""

    out: BinaryIO
    sample_rate: int = 0
    channels: int = 0
    length: int = 0  # samples per channel
    peaks: list[float] = field(default_factory=list)  # PEAKS_A_SEC each second
    _resampler: Any = None
    _waiting: list[FloatSamples] = field(default_factory=list)
    _count: int = 0

    def take(self, samples: FloatSamples, sample_rate: int) -> None:
        """One frame, [channels, n]."""
        if self._resampler is None:
            _check(sample_rate, samples.shape[0])
            self.sample_rate, self.channels = sample_rate, samples.shape[0]
            self._resampler = soxr.ResampleStream(sample_rate, WORKING_RATE_HZ, 1, dtype="float32")
        if (self.sample_rate, self.channels) != (sample_rate, samples.shape[0]):
            raise BadAudio("The recording changes its sample rate or channels midway; record it in one piece.")
        self.length += samples.shape[1]
        if self.length > MAX_HOURS * 3600 * sample_rate:
            raise TooLarge(f"The recording is longer than {MAX_HOURS:g} hours; send it in parts.")
        self._waiting.append(samples)
        self._count += samples.shape[1]
        if self._count >= round(CHOOSING_SEC * sample_rate):
            self._flush(last=False)

    def finish(self) -> None:
        """Write what still waits."""
        if self._resampler is not None:
            self._flush(last=True)

    def _flush(self, *, last: bool) -> None:
        whole = np.concatenate(self._waiting or [np.zeros((self.channels, 0), np.float32)], axis=1)
        enough = whole.shape[1] if last else round(CHOOSING_SEC * self.sample_rate)
        block, rest = whole[:, :enough], whole[:, enough:]
        self._waiting, self._count = [rest], rest.shape[1]
        if not np.isfinite(block).all():
            raise BadAudio("The recording holds values that are no sound; export it again as 16 or 24 bit.")
        energy = np.einsum("cn,cn->c", block, block, dtype=np.float64)
        mono = block[int(np.argmax(energy))]
        if mono.size:
            parts = np.array_split(np.abs(mono), max(1, round(mono.size * PEAKS_A_SEC / self.sample_rate)))
            self.peaks += [float(part.max()) for part in parts if part.size]
        working = self._resampler.resample_chunk(mono, last=last)
        self.out.write(np.clip(np.rint(working * 32768.0), -32768, 32767).astype("<i2").tobytes())


def _check(sample_rate: int, channels: int) -> None:
    if sample_rate < MIN_SAMPLE_RATE_HZ:
        raise BadAudio(
            f"The recording was made at {sample_rate / 1000:g} kHz, too low to judge tone and pitch; set the recorder "
            "to 44.1 or 48 kHz.",
            sample_rate_hz=sample_rate,
        )
    if sample_rate > MAX_SAMPLE_RATE_HZ or channels > MAX_CHANNELS:
        raise BadAudio(
            f"The recording has {channels} channels at {sample_rate / 1000:g} kHz; export it with at most "
            f"{MAX_CHANNELS} channels and {MAX_SAMPLE_RATE_HZ // 1000} kHz."
        )


def _columns(peaks: list[float]) -> list[float]:
    columns = min(COLUMNS, len(peaks))
    starts = np.linspace(0, len(peaks), columns, endpoint=False).astype(np.int64)
    return [round(min(1.0, float(value)), 3) for value in np.maximum.reduceat(np.array(peaks), starts)]


_WAV_FORMATS = {"u8": (1, 1), "s16": (1, 2), "s32": (1, 4), "flt": (3, 4), "dbl": (3, 8)}  # tag, bytes a sample


def _native(frame: Any) -> tuple[NDArray[Any], str]:
    """A frame's own values, [n, channels] little-endian, and their format."""
    kind: str = frame.format.name.removesuffix("p")
    if kind not in _WAV_FORMATS:
        raise BadAudio(f"Recordings in the sample format {kind} can't be read; export it as 16 or 24 bit.")
    values = frame.to_ndarray()
    values = values.T if frame.format.is_planar else values.reshape(-1, frame.layout.nb_channels)
    return np.ascontiguousarray(values, dtype=values.dtype.newbyteorder("<")), kind


def _head(sample_rate: int, channels: int, kind: str, data_bytes: int) -> bytes:
    tag, width = _WAV_FORMATS[kind]
    block = channels * width
    form = struct.pack("<HHIIHH", tag, channels, sample_rate, sample_rate * block, block, 8 * width)
    if tag != 1:  # what is not PCM states its extension's size and its length in samples
        form += struct.pack("<H", 0)
    fact = b"" if tag == 1 else struct.pack("<4sII", b"fact", 4, data_bytes // block)
    body = b"WAVE" + struct.pack("<4sI", b"fmt ", len(form)) + form + fact + struct.pack("<4sI", b"data", data_bytes)
    return struct.pack("<4sI", b"RIFF", len(body) + data_bytes + data_bytes % 2) + body
