"""What ``serve`` prints: where people reach this server, and how tablets come to trust it."""

from typing import TextIO

import segno

from app.services.addresses import EVERYWHERE, network_address
from app.services.certificates import Certificates
from app.settings import Settings

HELP_PAGE = "help.html"


def print_addresses(settings: Settings, made: Certificates | None, secret: str | None, out: TextIO) -> None:
    """Print every address. ``made``: certificates when the server also answers securely; ``secret``: first set-up."""
    here = f"http://localhost:{settings.port}"
    lines = ["Fairhearing is ready.", f"  on this machine   {here}   (recording and scoring work here)"]
    if settings.public_url:
        lines.append(f"  for everybody     {settings.public_url}")
    help_address = None
    if settings.host in EVERYWHERE:
        address = network_address()
        if address is None:
            lines.append("  (this machine is in no network, so tablets can't reach it yet)")
        else:
            help_address = f"http://{address}:{settings.port}/{HELP_PAGE}"
            lines += [f"  on tablets        {help_address}   (start here: how to trust this server)"]
            lines += (
                [f"                    https://{address}:{settings.https_port}   (once it is trusted)"] if made else []
            )
            lines += [f"                    http://{address}:{settings.port}   (scores only, no microphone)"]
        if made is not None:
            lines += [f"                    https://{name}:{settings.https_port}" for name in made.names[2:]]
    else:
        if made is not None:
            lines.append(f"  securely          https://localhost:{settings.https_port}")
        if not settings.public_url:  # else a proxy stands in front, and lets tablets in
            lines.append("  (tablets can't reach it: add --host 0.0.0.0 for that)")
    if made is not None:
        lines += ["", "Fingerprint (SHA-256) of this server's own authority; compare it before a tablet trusts it:"]
        lines += [f"  {made.fingerprint[:47]}", f"  {made.fingerprint[48:]}"]
    if secret is not None:
        lines += ["", "No section leader is set up yet. Open this link once to become the first:"]
        lines.append(f"  {settings.public_url or here}/#setup={secret}")
    lines += ["", f"Data are kept in {settings.data_dir.absolute()}. Stop with Ctrl-C."]
    print("\n".join(lines), file=out, flush=True)
    if help_address is not None and out.isatty():
        print(f"\nFor tablets, {help_address}:", file=out)
        segno.make(help_address, micro=False).terminal(out, compact=True)
