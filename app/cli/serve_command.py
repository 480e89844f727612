"""``fairhearing serve``: the screens, the API and the workers."""

import argparse

from app.cli.options import add_data_option, settings_from
from app.cli.serving import serve


def register(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command."""
    add_data_option(parser)
    parser.add_argument("--host", help="address to listen at (default 127.0.0.1; 0.0.0.0 lets tablets in)")
    parser.add_argument("--port", type=int, help="port (default 8000; 0: any free one)")
    parser.add_argument(
        "--https-port",
        type=int,
        help="port for secure addresses (default 8443 with --host 0.0.0.0, else none; 0: any free one)",
    )
    parser.add_argument("--workers", type=int, help="processes that measure takes (default 1; 0: none)")
    parser.add_argument("--public-url", metavar="URL", help="what join links start with when a proxy stands in front")


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    return serve(
        settings_from(
            args,
            host=args.host,
            port=args.port,
            https_port=args.https_port,
            workers=args.workers,
            public_url=args.public_url,
        )
    )
