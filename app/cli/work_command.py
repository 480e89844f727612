"""``fairhearing work``: workers beside a server that runs without any, or with too few."""

import argparse
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager

from app.cli.options import add_data_option, existing_settings
from app.cli.serving import workers
from app.db import schema
from app.domain.errors import BadInput
from app.services.folder import keep_private
from app.services.logs import set_up_logs


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_data_option(parser)
    parser.add_argument("--workers", type=int, default=1, help="how many processes (default 1)")


def run(args: argparse.Namespace) -> int:
    """Work until told to stop; jobs that were begun are finished."""
    keep_private()
    if not 1 <= args.workers <= 64:
        raise BadInput("The number of workers must be from 1 to 64.")
    settings = existing_settings(args)
    set_up_logs()
    schema.upgrade(settings.url)
    where = settings.data_dir.absolute()
    with signals(signal.SIGINT, signal.SIGTERM) as told, workers(settings, args.workers):
        print(f"Workers ({args.workers}) measure the takes in {where}. Stop with Ctrl-C.", flush=True)
        told.recv(1)
    return 0


@contextmanager
def signals(*numbers: int) -> Iterator[socket.socket]:
    """A socket from which a byte can be read once one of the signals has come.

    An event set by a handler is not enough: a signal that another thread receives, or that comes just before the main
    thread begins to wait, would be looked at only after the wait.
    """
    told, telling = socket.socketpair()
    with told, telling:
        telling.setblocking(False)
        before = signal.set_wakeup_fd(telling.fileno())
        for number in numbers:
            signal.signal(number, lambda _number, _frame: None)  # a handler of ours, so that the byte is written
        try:
            yield told
        finally:
            signal.set_wakeup_fd(before)
