"""Sending recordings, whole or in parts (RFC 9110, section 14), so that a player can jump.

No file name, no date: a "last modified" would tell in which order takes were recorded.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from starlette.responses import Response, StreamingResponse

from app.api.errors import envelope
from app.api.schemas.envelope import problems

CHUNK_BYTES = 256 * 1024
#: OpenAPI's ``responses`` of a route that answers with :func:`recording`.
RECORDING_ANSWERS: dict[int | str, dict[str, Any]] = problems(416) | {
    200: {"content": {"audio/wav": {}}, "description": "The recording."},
    206: {"content": {"audio/wav": {}}, "description": "A part of the recording."},
}
_ONE_RANGE = re.compile(r"bytes=(\d*)-(\d*)$")


def recording(path: Path, range_header: str | None) -> Response:
    """A WAV, or the part of it that a Range header asks for; 416 when that part does not exist."""
    size = path.stat().st_size
    headers = {"Accept-Ranges": "bytes", "Cache-Control": "private, no-store", "Content-Disposition": "inline"}
    wanted = _wanted(range_header, size)
    if wanted is None:
        return StreamingResponse(
            _read(path, 0, size), media_type="audio/wav", headers={**headers, "Content-Length": str(size)}
        )
    start, end = wanted
    if start >= end:
        return envelope(
            416,
            "bad_input",
            "The part of the recording that was asked for does not exist.",
            headers={"Content-Range": f"bytes */{size}"},
        )
    headers |= {"Content-Range": f"bytes {start}-{end - 1}/{size}", "Content-Length": str(end - start)}
    return StreamingResponse(_read(path, start, end), status_code=206, media_type="audio/wav", headers=headers)


def _wanted(header: str | None, size: int) -> tuple[int, int] | None:
    """First byte and one past the last, or None for the whole: the RFC passes over a header that can't be read."""
    found = _ONE_RANGE.match(header.strip()) if header else None
    if found is None or found.group(1) == found.group(2) == "":
        return None
    first, last = found.group(1)[:18], found.group(2)[:18]
    if not first:
        return max(0, size - int(last)), size if int(last) else 0
    return int(first), min(size, int(last) + 1) if last else size


def _read(path: Path, start: int, end: int) -> Iterator[bytes]:
    with path.open("rb") as file:
        file.seek(start)
        while start < end and (chunk := file.read(min(CHUNK_BYTES, end - start))):
            start += len(chunk)
            yield chunk
