"""By which address a device comes in, and what is needed for the secure one."""

from dataclasses import dataclass
from datetime import datetime

from cryptography import x509
from cryptography.hazmat.primitives import serialization

from app.domain.errors import NotFound
from app.services import certificates
from app.services.addresses import ITSELF, host_for_tablets
from app.settings import Settings


@dataclass(frozen=True, slots=True)
class Entrance:
    """Addresses of this server for a device that asked for it under some host."""

    plain_url: str
    secure_url: str | None  # None: this server has no secure address
    own_authority: bool  # whether a device must trust this server's own authority first
    fingerprint: str | None  # of that authority
    names: tuple[str, ...]  # other names under which the secure address works


def entrance(settings: Settings, host: str) -> Entrance:
    """The addresses for a device that asked under ``host`` (without port)."""
    host = host_for_tablets(host, settings.host)
    plain_url = f"http://{_in_url(host)}:{settings.port}"
    if settings.public_url is not None:
        secure = settings.public_url if settings.public_url.startswith("https://") else None
        return Entrance(settings.public_url, secure, own_authority=False, fingerprint=None, names=())
    authority = certificates.authority_of(settings.data_dir / certificates.FOLDER)
    if settings.https_port is None or authority is None:
        return Entrance(plain_url, None, own_authority=False, fingerprint=None, names=())
    return Entrance(
        plain_url=plain_url,
        secure_url=f"https://{_in_url(host)}:{settings.https_port}",
        own_authority=True,
        fingerprint=certificates.fingerprint_of(authority.public_bytes(serialization.Encoding.DER)),
        names=tuple(name for name in certificates.own_names() if name not in ITSELF),
    )


def authority_file(settings: Settings, encoding: serialization.Encoding) -> tuple[bytes, datetime]:
    """The authority's certificate to download, and until when it holds; raises ``NotFound`` when there is none."""
    authority: x509.Certificate | None = certificates.authority_of(settings.data_dir / certificates.FOLDER)
    if authority is None or settings.https_port is None:
        raise NotFound("This server has no authority of its own; it answers over plain http only.")
    return authority.public_bytes(encoding), authority.not_valid_after_utc


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host and not host.startswith("[") else host
