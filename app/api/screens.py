"""The screens' files, and the worker that keeps them on a device.

The worker's list of files is made here from the files themselves, so no list is kept by hand: each path with its
sha256, and a version over all of them. A changed file makes a changed worker, which is how browsers notice.
"""

import hashlib
import json
import threading
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

KEPT = frozenset({".html", ".js", ".css", ".svg", ".png", ".woff2", ".webmanifest"})
WORKER = "sw.js"
NOT_KEPT = frozenset({WORKER})
VERSION_DIGITS = 16


class ScreenFiles:
    """The files below one folder with their hashes; read again only when one of them changed."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._seen: tuple[tuple[str, int, int], ...] = ()
        self._hashes: dict[str, str] = {}

    def hashes(self) -> dict[str, str]:
        """Address to sha256 of every file that a device keeps."""
        with self._lock:
            paths = sorted(path for path in self._folder.rglob("*") if path.suffix in KEPT and path.is_file())
            found = [path for path in paths if path.name not in NOT_KEPT]
            seen = tuple((str(path), path.stat().st_mtime_ns, path.stat().st_size) for path in found)
            if seen != self._seen:
                self._hashes = {
                    f"/{path.relative_to(self._folder).as_posix()}": hashlib.sha256(path.read_bytes()).hexdigest()
                    for path in found
                }
                self._seen = seen
            return self._hashes

    def worker(self) -> str:
        """The worker's script with version and list in front."""
        files = self.hashes()
        script = (self._folder / WORKER).read_text(encoding="utf-8")
        stated = json.dumps(files, sort_keys=True)
        version = hashlib.sha256((stated + script).encode()).hexdigest()[:VERSION_DIGITS]
        return f"self.fairhearing = {json.dumps({'version': version, 'files': files})};\n{script}"

    def answer(self, _request: Request) -> Response:
        """The worker over HTTP; never from a cache, so that a new version is found."""
        return Response(self.worker(), media_type="text/javascript", headers={"Cache-Control": "no-cache"})
