"""Certificates for the local network, made here: an authority of this server's own, and its server certificate.

Browsers give the microphone and keep screens offline only at secure addresses. No public authority vouches for an
address inside a school, so this server makes an authority of its own on its first start; each tablet trusts it once.
The authority can only ever vouch for this machine's names, for private addresses, and for addresses this machine had
when it was made: RFC 5280 name constraints.
"""

import hashlib
import ipaddress
import os
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from app.domain.errors import Unavailable

FOLDER = "tls"
AUTHORITY_FILE = "authority.pem"
AUTHORITY_LIFE = timedelta(days=3650)  # our choice: tablets trust it once
SERVER_LIFE = timedelta(days=397)  # browsers accept at most 398 days (CA/Browser Forum, from memory)
RENEW_BEFORE = timedelta(days=30)  # our choice
BACKDATED = timedelta(days=1)  # tablets' clocks may be behind
PRIVATE_NETWORKS = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8")
PRIVATE_NETWORKS_6 = ("fc00::/7", "fe80::/10", "::1/128")  # RFC 4193, RFC 4291

Address = IPv4Address | IPv6Address


@dataclass(frozen=True, slots=True)
class Certificates:
    """Where the server's certificate and key are, and what they vouch for."""

    chain_file: Path
    key_file: Path
    fingerprint: str  # sha256 of the authority's certificate: "AB:CD:..."
    names: tuple[str, ...]
    addresses: tuple[str, ...]


def own_names() -> list[str]:
    """Names this machine may be asked for under: localhost, and its host name as such and under .local (mDNS)."""
    host = socket.gethostname().split(".")[0].lower()
    usable = host.isascii() and all(part.isalnum() for part in host.split("-"))
    return ["localhost", host, f"{host}.local"] if usable and host != "localhost" else ["localhost"]


def ensure(folder: Path, names: Sequence[str], addresses: Sequence[str], *, now: datetime) -> Certificates:
    """The certificates in ``folder``, made when they are not there, renewed when names, addresses or time ask for it.

    Names and public addresses that came after the authority was made are left out: it may not vouch for them. Raises
    ``Unavailable`` when the folder can't be written.
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = tuple(dict.fromkeys(ipaddress.ip_address(text) for text in addresses))
        authority, authority_key = _authority(folder, names, found, now)
        wanted_names = tuple(name for name in dict.fromkeys(names) if _covers_name(authority, name))
        wanted = tuple(address for address in found if _covers_address(authority, address))
        _server(folder, authority, authority_key, wanted_names, wanted, now)
    except (OSError, ValueError) as error:
        raise Unavailable(
            f"The certificates in {folder} can't be made or read ({error}); make the folder writable, or remove it so "
            "that new ones are made (tablets must then trust the new authority)."
        ) from error
    return Certificates(
        chain_file=folder / "server.pem",
        key_file=folder / "server.key",
        fingerprint=fingerprint_of(authority.public_bytes(serialization.Encoding.DER)),
        names=wanted_names,
        addresses=tuple(str(address) for address in wanted),
    )


def fingerprint_of(der: bytes) -> str:
    """The sha256 of a certificate as people compare it: "AB:CD:..."."""
    digest = hashlib.sha256(der).hexdigest().upper()
    return ":".join(digest[place : place + 2] for place in range(0, len(digest), 2))


def authority_of(folder: Path) -> x509.Certificate | None:
    """The authority's certificate in ``folder``, None while none was made."""
    path = folder / AUTHORITY_FILE
    return x509.load_pem_x509_certificate(path.read_bytes()) if path.exists() else None


def _authority(
    folder: Path, names: Sequence[str], addresses: Sequence[Address], now: datetime
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    certificate_file, key_file = folder / AUTHORITY_FILE, folder / "authority.key"
    if certificate_file.exists() and key_file.exists():
        certificate = x509.load_pem_x509_certificate(certificate_file.read_bytes())
        if certificate.not_valid_after_utc - SERVER_LIFE > now:
            return certificate, _read_key(key_file)
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Fairhearing"),
            x509.NameAttribute(NameOID.COMMON_NAME, f"Fairhearing on {names[-1]}, {now:%Y-%m-%d}"),
        ]
    )
    networks = [ipaddress.ip_network(text) for text in (*PRIVATE_NETWORKS, *PRIVATE_NETWORKS_6)]
    networks += [ipaddress.ip_network(a) for a in addresses if not any(a in network for network in networks)]
    constraints = x509.NameConstraints(
        [
            *(x509.DNSName(name) for name in dict.fromkeys((*names, "local"))),
            *(x509.IPAddress(net) for net in networks),
        ],
        None,
    )
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + AUTHORITY_LIFE)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(constraints, critical=True)
        .sign(key, hashes.SHA256())
    )
    _write(key_file, _key_bytes(key))
    _write(certificate_file, certificate.public_bytes(serialization.Encoding.PEM))
    return certificate, key


def _server(
    folder: Path,
    authority: x509.Certificate,
    authority_key: ec.EllipticCurvePrivateKey,
    names: tuple[str, ...],
    addresses: tuple[Address, ...],
    now: datetime,
) -> None:
    chain_file, key_file = folder / "server.pem", folder / "server.key"
    alternatives: list[x509.GeneralName] = [x509.DNSName(name) for name in names]
    alternatives += [x509.IPAddress(address) for address in addresses]
    if chain_file.exists() and key_file.exists():
        earlier = x509.load_pem_x509_certificate(chain_file.read_bytes())
        listed = earlier.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        fresh = earlier.not_valid_after_utc - RENEW_BEFORE > now
        issued = earlier.extensions.get_extension_for_class(x509.AuthorityKeyIdentifier).value
        ours = issued == x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key())
        if fresh and ours and set(alternatives) <= set(listed):
            return
    key = ec.generate_private_key(ec.SECP256R1())
    certificate = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[-1] if names else "Fairhearing")]))
        .issuer_name(authority.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + SERVER_LIFE)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()), critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    _write(key_file, _key_bytes(key))
    _write(chain_file, certificate.public_bytes(pem) + authority.public_bytes(pem))


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _covers_name(authority: x509.Certificate, name: str) -> bool:
    permitted = authority.extensions.get_extension_for_class(x509.NameConstraints).value.permitted_subtrees or ()
    allowed = [subtree.value for subtree in permitted if isinstance(subtree, x509.DNSName)]
    return any(name == one or name.endswith(f".{one}") for one in allowed)


def _covers_address(authority: x509.Certificate, address: Address) -> bool:
    permitted = authority.extensions.get_extension_for_class(x509.NameConstraints).value.permitted_subtrees or ()
    allowed = [subtree.value for subtree in permitted if isinstance(subtree, x509.IPAddress)]
    return any(address in one for one in allowed if isinstance(one, IPv4Network | IPv6Network))


def _read_key(path: Path) -> ec.EllipticCurvePrivateKey:
    key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise ValueError(f"{path.name} holds another kind of key")
    return key


def _key_bytes(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def _write(path: Path, data: bytes) -> None:
    """Whole or not at all, for the owner only."""
    temporary = path.with_name(f"{path.name}.part")
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())
    os.rename(temporary, path)
