"""A server in a process of its own, as people start it, that a test may kill and start again at the same address."""

import contextlib
import os
import random
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx

START_SEC = 60  # the machine may be busy
#: The system gives nobody a port below these by itself (ip(7), ip_local_port_range), so one of them is still free when
#: a server that was killed comes back to it, whatever the other tests do meanwhile.
STEADY_PORTS = range(20_000, 32_000)


def steady_ports(wanted: int) -> list[int]:
    """Free ports at 127.0.0.1 that stay free while nobody listens there."""
    found: list[int] = []
    for port in random.sample(STEADY_PORTS, 200):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            found.append(port)
        if len(found) == wanted:
            return found
    raise RuntimeError("hardly a port is free")


class LiveServer:
    """``fairhearing serve`` on 127.0.0.1, started by :meth:`start`."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.data_dir = folder / "data"
        self._log = folder / "server.log"
        self._options = options
        self._process: subprocess.Popen[bytes] | None = None
        self.port, self.https_port = steady_ports(2)
        self.setup_secret = ""  # printed at the first start

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it and wait until it answers; a second time at the same ports."""
        command = [sys.executable, "-m", "app.cli.main", "serve", "--data", str(self.data_dir), "--workers", "0"]
        command += ["--host", "127.0.0.1", "--port", str(self.port), *self._options]
        if "--https-port" in self._options:
            command[-1] = str(self.https_port)
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)
        until = time.monotonic() + START_SEC
        while not self._answers():
            assert self._process.poll() is None, self._log.read_text()
            assert time.monotonic() < until, f"no answer: {self._log.read_text()}"
            time.sleep(0.1)

    def _answers(self) -> bool:
        said = self._log.read_text()
        if not (found := re.search(r"localhost:(\d+)", said)):
            return False
        self.port = int(found[1])
        if secret := re.search(r"#setup=(\S+)", said):
            self.setup_secret = secret[1]
        if secure := re.search(r"https://localhost:(\d+)", said):
            self.https_port = int(secure[1])
        try:
            return httpx.get(f"{self.url}/healthz", timeout=5).status_code == 200
        except httpx.TransportError:
            return False

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End it in good order."""
        self._end(signal.SIGTERM)

    def _end(self, number: int) -> None:
        if self._process is not None and self._process.poll() is None:
            os.kill(self._process.pid, number)
            self._process.wait(timeout=30)
        self._process = None
