"""A real server on a free port in a thread of the test, whose database and store the test can look into."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI

from app.api.application import create_app
from app.api.resources import Resources
from app.db.types import now_utc
from app.services import sign_in
from app.settings import Settings


@dataclass
class Server:
    """The running server."""

    url: str
    app: FastAPI
    setup_secret: str

    @property
    def resources(self) -> Resources:
        found: Resources = self.app.state.resources
        return found


def start_server(folder: Path, **options: Any) -> tuple[Server, Callable[[], None]]:
    """A server on a free port with its data in ``folder``, and what stops it."""
    app = create_app(Settings(data_dir=folder, workers=0, port=0, **options))
    serving = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="error", lifespan="on"))
    thread = threading.Thread(target=serving.run)
    thread.start()
    give_up = time.monotonic() + 30
    while not serving.started:
        if not thread.is_alive() or time.monotonic() > give_up:
            serving.should_exit = True
            raise RuntimeError("the server did not start")
        time.sleep(0.02)
    port = serving.servers[0].sockets[0].getsockname()[1]

    def stop() -> None:
        serving.should_exit = True
        thread.join(timeout=20)

    resources: Resources = app.state.resources
    secret = resources.database.write(lambda session: sign_in.new_setup_secret(session, now=now_utc()))
    return Server(f"http://127.0.0.1:{port}", app, secret or ""), stop
