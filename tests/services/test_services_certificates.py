"""The local authority: what it vouches for, what it can not, when it is renewed; a handshake as a tablet makes it."""

import ipaddress
import socket
import ssl
import stat
import threading
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError

from app.db.types import now_utc
from app.domain.errors import Unavailable
from app.services.certificates import Certificates, authority_of, ensure, own_names

NAMES = ["localhost", "bandroom", "bandroom.local"]
ADDRESSES = ["192.168.4.7", "127.0.0.1", "::1", "203.0.113.9"]  # the last is public (RFC 5737)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "tls"


def made(folder: Path, names=NAMES, addresses=ADDRESSES, now: datetime | None = None) -> Certificates:  # type: ignore[no-untyped-def]
    return ensure(folder, names, addresses, now=now or now_utc())


def chain(found: Certificates) -> list[x509.Certificate]:
    return x509.load_pem_x509_certificates(found.chain_file.read_bytes())


@pytest.mark.parametrize("name", ["localhost", "bandroom.local", "192.168.4.7", "203.0.113.9"])
def test_an_independent_verifier_accepts_names_and_addresses(folder: Path, name: str) -> None:
    server, authority = chain(made(folder))
    subject = x509.DNSName(name) if name[-1].isalpha() else x509.IPAddress(ipaddress.ip_address(name))
    verifier = PolicyBuilder().store(Store([authority])).build_server_verifier(subject)
    assert verifier.verify(server, []) == [server, authority]


def test_what_is_not_this_machine_is_not_vouched_for(folder: Path) -> None:
    server, authority = chain(made(folder))
    verifier = PolicyBuilder().store(Store([authority])).build_server_verifier(x509.DNSName("example.org"))
    with pytest.raises(VerificationError):
        verifier.verify(server, [])
    # Names that come later can't be signed: the authority is bound to those it was made with.
    later = made(folder, [*NAMES, "example.org"], [*ADDRESSES, "198.51.100.4", "10.1.2.3"])
    assert later.names == tuple(NAMES)
    assert later.addresses == (*ADDRESSES, "10.1.2.3")


def test_a_start_changes_nothing_until_something_asks_for_it(folder: Path) -> None:
    now = now_utc()
    first = made(folder, now=now)
    certificate = chain(first)
    assert chain(made(folder, now=now + timedelta(days=300))) == certificate
    renewed = chain(made(folder, now=now + timedelta(days=370)))
    assert renewed[0] != certificate[0]
    assert renewed[1] == certificate[1], "tablets that trust the authority go on trusting"
    moved = chain(made(folder, addresses=["192.168.9.9"], now=now + timedelta(days=370)))
    assert moved[0] != renewed[0]
    assert moved[1] == certificate[1]


def test_keys_are_for_the_owner_only_and_life_is_bounded(folder: Path) -> None:
    found = made(folder)
    server, authority = chain(found)
    for name in ("authority.key", "server.key"):
        assert stat.S_IMODE((folder / name).stat().st_mode) == 0o600
    assert server.not_valid_after_utc - server.not_valid_before_utc <= timedelta(days=398)
    assert authority.fingerprint(hashes.SHA256()).hex().upper() == found.fingerprint.replace(":", "")
    assert authority_of(folder) == authority
    assert authority_of(folder / "elsewhere") is None


def test_a_client_that_trusts_the_authority_shakes_hands_and_one_that_does_not_refuses(folder: Path) -> None:
    found = made(folder)
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(found.chain_file, found.key_file)

    def shake(trusted: ssl.SSLContext) -> str | None:
        ours, theirs = socket.socketpair()

        def answer() -> None:
            try:
                serving.wrap_socket(theirs, server_side=True).close()
            except (ssl.SSLError, OSError):
                theirs.close()  # the client refused

        thread = threading.Thread(target=answer)
        thread.start()
        try:
            with trusted.wrap_socket(ours, server_hostname="127.0.0.1") as secured:
                return secured.version()
        finally:
            ours.close()
            thread.join()

    knowing = ssl.create_default_context(cafile=str(folder / "authority.pem"))
    assert shake(knowing) == "TLSv1.3"
    with pytest.raises(ssl.SSLCertVerificationError):
        shake(ssl.create_default_context())


def test_a_folder_that_holds_something_else_is_said(folder: Path) -> None:
    made(folder)
    (folder / "authority.key").write_text("no key")
    with pytest.raises(Unavailable, match="can't be made or read"):
        made(folder)


def test_the_own_names_begin_with_localhost() -> None:
    assert own_names()[0] == "localhost"
