"""Starting a server with its workers, and stopping both in good order. Used by ``serve`` and by the demo."""

import asyncio
import gc
import importlib
import os
import signal
import socket
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from types import FrameType
from typing import Any, TextIO

import uvicorn

from app.cli.address_list import print_addresses
from app.cli.loading import without_collecting
from app.db import schema
from app.db.database import Database
from app.db.types import now_utc
from app.domain.errors import Unavailable
from app.jobs.supervisor import Supervisor
from app.services import certificates, sign_in
from app.services.addresses import EVERYWHERE, own_addresses
from app.services.certificates import own_names
from app.services.day_uploads import DayUploads
from app.services.folder import keep_private, owned, shared
from app.services.handed_files import HandedFiles
from app.services.ledger import DatabaseLedger
from app.services.logs import set_up_logs
from app.services.storing import open_store
from app.services.uploads import Uploads
from app.services.working import run_worker
from app.settings import Settings

HTTPS_PORT = 8443  # our choice: the common second choice where 443 needs more rights
START_POLL_SEC = 0.02
GRACE_SEC = 30  # our choice: how long requests under way may take when the server is told to stop


def serve(settings: Settings, *, announce: Callable[[str], None] | None = None, out: TextIO = sys.stdout) -> int:
    """Serve until told to stop (Ctrl-C or SIGTERM). ``announce`` is called with the address instead of printing it.

    Raises ``WrongState`` when another server uses the data folder and ``Unavailable`` when the port is taken.
    """
    set_up_logs(settings.log_level)
    keep_private()
    with ExitStack() as held:
        if settings.database_url is None:
            held.enter_context(owned(settings.data_dir))
            _tidy(settings)
        else:
            held.enter_context(shared(settings.data_dir, lambda: _tidy(settings)))
        listener = held.enter_context(_listen(settings.host, settings.port, "--port"))
        secure_listener = None
        if (wanted := _https_port(settings)) is not None:
            secure_listener = held.enter_context(_listen(settings.host, wanted, "--https-port"))
        settings = settings.model_copy(
            update={
                "port": listener.getsockname()[1],
                "https_port": secure_listener.getsockname()[1] if secure_listener is not None else None,
            }
        )
        secret = _prepare(settings)
        # Uploads are spooled beside the takes: the system's own folder for that may be small or in memory.
        spool = settings.data_dir / "spool"
        spool.mkdir(parents=True, exist_ok=True)
        tempfile.tempdir = str(spool)
        # The neighbour is named, not imported: cli and api know nothing of each other.
        with without_collecting():
            app = importlib.import_module("app.api.application").create_app(settings)
        plain = _Server(_config(app))
        secure, made = None, None
        if secure_listener is not None:
            made = certificates.ensure(
                settings.data_dir / certificates.FOLDER, own_names(), own_addresses(), now=now_utc()
            )
            # The application begins and ends with the plain server.
            config = _config(app, lifespan="off", ssl_certfile=made.chain_file, ssl_keyfile=made.key_file)
            secure = _Server(config)
        held.enter_context(workers(settings))
        if announce is None:
            print_addresses(settings, made, secret, out)
        else:
            announce(f"http://localhost:{settings.port}")
        # What is loaded by now stays to the end; looking through it for garbage would hold up everybody for a while.
        gc.collect()
        gc.freeze()
        held.enter_context(_told_to_stop([server for server in (secure, plain) if server is not None]))
        with asyncio.Runner(loop_factory=plain.config.get_loop_factory()) as runner:
            runner.run(_run(plain, listener, secure, secure_listener))
        return 0 if plain.started else 1


def _https_port(settings: Settings) -> int | None:
    """Where to listen securely; None: nowhere. Alone on this machine, localhost is secure as it is."""
    if settings.https_port is not None:
        return settings.https_port
    if settings.host not in EVERYWHERE:
        return None
    return HTTPS_PORT if settings.port != 0 else 0


def _config(app: Any, **options: Any) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        **{
            "log_config": None,
            "access_log": False,
            "server_header": False,
            "date_header": True,
            "timeout_graceful_shutdown": GRACE_SEC,
            "lifespan": "on",
            **options,
        },
    )


async def _run(
    plain: "_Server", listener: socket.socket, secure: "_Server | None", secure_listener: socket.socket | None
) -> None:
    """Both servers on one loop with one application; the secure one stands inside the plain one's life."""
    serving = asyncio.create_task(plain.serve(sockets=[listener]))
    while not plain.started and not serving.done():
        await asyncio.sleep(START_POLL_SEC)
    if plain.started and secure is not None and secure_listener is not None:
        await secure.serve(sockets=[secure_listener])
        plain.should_exit = True
    await serving


class _Server(uvicorn.Server):
    """A server that leaves signals to us: uvicorn raises them again at its end, before the workers are stopped."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture nothing."""
        yield


@contextmanager
def _told_to_stop(servers: "list[_Server]") -> Iterator[None]:
    """For the time of the block, Ctrl-C and SIGTERM ask the servers to finish; asked again, they drop what is open.

    The first of ``servers`` is told first; the others follow when it has ended, since they carry the application.
    """
    numbers = (signal.SIGINT, signal.SIGTERM)

    def stop(number: int, frame: FrameType | None) -> None:
        again = servers[0].should_exit
        for server in servers if again else servers[:1]:
            server.handle_exit(number, frame)

    before = [signal.signal(number, stop) for number in numbers]
    try:
        yield
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)


@contextmanager
def workers(settings: Settings, count: int | None = None) -> Iterator[Supervisor]:
    """Worker processes for the time of the block. Jobs that were begun are finished at its end, or put back."""
    # One thread per worker: two workers on two cores would otherwise fight over them.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    database = Database(settings.url)
    ledger = DatabaseLedger(database)
    supervisor = Supervisor(
        run_worker,
        (settings, os.getpid()),
        settings.workers if count is None else count,
        lambda worker, told: ledger.release(worker, forgive=told),
    )
    supervisor.start()
    try:
        yield supervisor
    finally:
        supervisor.stop()
        database.close()


def _tidy(settings: Settings) -> None:
    """Remove what a sudden end left, while nobody else uses the folder."""
    open_store(settings).clear_incoming()


def _prepare(settings: Settings) -> str | None:
    """Bring the data up to date, put back what ended workers left, make the set-up secret when no leader is there."""
    schema.upgrade(settings.url)
    database = Database(settings.url)
    try:
        DatabaseLedger(database).release_gone()
        store = open_store(settings)
        Uploads(settings.data_dir, database, store).tidy()
        HandedFiles(settings.data_dir, database, store, now_utc).tidy()
        DayUploads(settings.data_dir, database, store).tidy()
        return database.write(lambda session: sign_in.new_setup_secret(session, now=now_utc()))
    finally:
        database.close()


def _listen(host: str, port: int, option: str) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # The protocol is named because asyncio turns Nagle's algorithm off only where it is; without that every answer of
    # two writes waits 40 ms for the other side's delayed acknowledgment.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise Unavailable(
            f"Port {port} at {host} can't be used ({error.strerror}); choose another with {option} (0: any free one)."
        ) from error
    return listener
