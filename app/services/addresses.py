"""Under which address tablets reach this machine."""

import socket
from typing import Any

EVERYWHERE = ("0.0.0.0", "::")  # what a server listens at to be reached from other machines
ITSELF = ("localhost", "127.0.0.1", "::1", "[::1]")


def network_address() -> str | None:
    """This machine's address in its local network, or None without one. Nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 of RFC 5737: only the routing table is asked
        except OSError:
            return None
        address: Any = probe.getsockname()[0]
    return None if address.startswith(("127.", "0.")) else str(address)


def own_addresses() -> list[str]:
    """Every address this machine knows itself under, the local network's first. Nothing is sent."""
    found = [network_address()]
    try:
        # The last part of an IPv6 address may name a network card ("%eth0"), which no browser ever sends.
        found += [str(entry[4][0]).split("%")[0] for entry in socket.getaddrinfo(socket.gethostname(), None)]
    except OSError:  # a host name that nothing resolves is no trouble: the other addresses serve
        found.append(None)
    return list(dict.fromkeys([address for address in found if address is not None] + ["127.0.0.1", "::1"]))


def host_for_tablets(host: str, listening_at: str) -> str:
    """What to put into a link for another machine when this page was asked for under ``host`` (without port).

    On a tablet "localhost" means the tablet itself, so it is replaced by this machine's address in its network,
    provided the server listens there.
    """
    if host in ITSELF and listening_at in EVERYWHERE:
        return network_address() or host
    return host
