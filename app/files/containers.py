"""Recognising what a recording is by its first bytes, never by its name, and what its header promises.

A promise that is not kept means that the file broke off on the way. Sources: the RIFF/WAVE, AIFF, FLAC (RFC 9639),
Ogg (RFC 3533) and Matroska (RFC 9559) layouts; the Xing/Info frame of MP3 as commonly written by encoders.
"""

import struct
from dataclasses import dataclass
from typing import BinaryIO

from app.domain.errors import BadAudio

HEAD_BYTES = 4096
TEXT_SHARE = 0.95  # our choice: this share of printable bytes in the head makes it a text


@dataclass(frozen=True, slots=True)
class Container:
    """A kind of recording: our word, and the one demuxer allowed to open it."""

    name: str
    demuxer: str


# Only the demuxer that fits the content is ever opened: others (playlists, image lists) could reach further files.
CONTAINERS = {
    "wav": Container("wav", "wav"),
    "aiff": Container("aiff", "aiff"),
    "flac": Container("flac", "flac"),
    "mp3": Container("mp3", "mp3"),
    "aac": Container("aac", "aac"),
    "m4a": Container("m4a", "mov,mp4,m4a,3gp,3g2,mj2"),
    "ogg": Container("ogg", "ogg"),
    "webm": Container("webm", "matroska,webm"),
}
ACCEPTED = "WAV, AIFF, FLAC, MP3, M4A/AAC, Ogg or WebM"


def recognise(head: bytes) -> Container:
    """The container whose content starts with ``head``; raises ``BadAudio`` with a sentence when it is none of ours."""
    if not head:
        raise BadAudio("The file is empty (0 bytes); record the take again or choose another file.")
    name = _name(head)
    if name is None:
        if _looks_like_text(head):
            raise BadAudio(f"This file holds text, not sound; choose the recording itself ({ACCEPTED}).")
        raise BadAudio(f"This is not a recording Fairhearing can read; send {ACCEPTED}.")
    return CONTAINERS[name]


def _name(head: bytes) -> str | None:
    if head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE":
        return "wav"
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return "aiff"
    if head[:4] == b"fLaC":
        return "flac"
    if head[:4] == b"OggS":
        return "ogg"
    if head[4:8] == b"ftyp":
        return "m4a"
    if head[:4] == b"\x1a\x45\xdf\xa3":
        return "webm"
    if head[:3] == b"ID3":
        return "mp3"
    if len(head) > 1 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0:
        layer = head[1] >> 1 & 0b11  # 0 in an AAC transport frame, 1 in MPEG layer III
        return {0: "aac", 1: "mp3"}.get(layer)
    return None


def _looks_like_text(head: bytes) -> bool:
    if head.startswith((b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")):
        return True
    printable = sum(byte >= 32 or byte in b"\t\r\n" for byte in head)
    return printable >= TEXT_SHARE * len(head) and b"\0" not in head


def refuse_broken_off(source: BinaryIO, container: Container, size_bytes: int) -> None:
    """Raise ``BadAudio`` when the file ends before the length its own structure states.

    A length of 0 or all ones is what recorders write that never came back to fill it in; it promises nothing.
    """
    source.seek(0)
    missing = {"wav": _riff_missing, "aiff": _iff_missing, "ogg": _ogg_missing, "webm": _matroska_missing}.get(
        container.name, lambda _source, _size: 0
    )(source, size_bytes)
    if missing > 0:
        raise broken_off(f"at least {missing} bytes are missing at its end")


def broken_off(detail: str) -> BadAudio:
    """The error for a file that ends too early."""
    return BadAudio(f"The recording breaks off ({detail}); send it again from the start.")


def _chunk_missing(source: BinaryIO, size_bytes: int, layout: str, wanted: bytes) -> int:
    position = 12
    while position + 8 <= size_bytes:
        source.seek(position)
        name, length = struct.unpack(layout, source.read(8))
        if name == wanted:
            return 0 if length in (0, 0xFFFFFFFF) else max(0, position + 8 + length - size_bytes)
        position += 8 + length + (length & 1)
    return 0


def _riff_missing(source: BinaryIO, size_bytes: int) -> int:
    return _chunk_missing(source, size_bytes, "<4sI", b"data")


def _iff_missing(source: BinaryIO, size_bytes: int) -> int:
    return _chunk_missing(source, size_bytes, ">4sI", b"SSND")


def _ogg_missing(source: BinaryIO, size_bytes: int) -> int:
    position = 0
    while position < size_bytes:
        source.seek(position)
        header = source.read(27 + 255)
        if len(header) < 27:
            return 27 - len(header)
        if header[:4] != b"OggS":
            return 0  # not a page: damage, which decoding will tell
        lacing = header[27 : 27 + header[26]]
        position += 27 + header[26] + sum(lacing)
    return position - size_bytes


def _matroska_missing(source: BinaryIO, size_bytes: int) -> int:
    head = source.read(64)
    position = 4
    length, width = _ebml_size(head, position)
    if length is None:
        return 0
    position += width + length
    if head[position : position + 4] != b"\x18\x53\x80\x67":  # Segment
        return 0
    length, width = _ebml_size(head, position + 4)
    return 0 if length is None else max(0, position + 4 + width + length - size_bytes)


def _ebml_size(data: bytes, position: int) -> tuple[int | None, int]:
    """A Matroska element's length (None when unknown, as live recorders write it) and how many bytes say so."""
    if position >= len(data) or data[position] == 0:
        return None, 1
    width = 9 - data[position].bit_length()
    value = int.from_bytes(data[position : position + width], "big") & ((1 << 7 * width) - 1)
    return (None if value == (1 << 7 * width) - 1 else value), width


def promised_sec(head: bytes, container: Container) -> float | None:
    """Seconds of sound the header states for FLAC and MP3, or None when it states none.

    Other containers either have no such statement or the demuxer reports it.
    """
    if container.name == "flac" and len(head) >= 26:
        packed = int.from_bytes(head[18:26], "big")
        rate, total = packed >> 44, packed & ((1 << 36) - 1)
        return total / rate if rate and total else None
    if container.name == "mp3":
        return _xing_sec(head)
    return None


_MPEG_RATES = {3: (44100, 48000, 32000), 2: (22050, 24000, 16000), 0: (11025, 12000, 8000)}  # by version bits


def _xing_sec(head: bytes) -> float | None:
    at = max(head.find(b"Xing"), head.find(b"Info"))
    start = head.rfind(b"\xff", 0, at) if at > 0 else -1
    while start > 0 and not (head[start] == 0xFF and head[start + 1] & 0xE0 == 0xE0):
        start = head.rfind(b"\xff", 0, start)
    if start < 0 or at + 12 > len(head):
        return None
    version, rate_index = head[start + 1] >> 3 & 0b11, head[start + 2] >> 2 & 0b11
    flags, frames = struct.unpack(">II", head[at + 4 : at + 12])
    if not flags & 1 or version not in _MPEG_RATES or rate_index == 3:
        return None
    samples_per_frame = 1152 if version == 3 else 576
    return float(frames * samples_per_frame / _MPEG_RATES[version][rate_index])
