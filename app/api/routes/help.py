"""How a device comes to trust this server: addresses, fingerprint, the certificate to download. Open to everybody."""

from datetime import datetime
from typing import Any

from cryptography.hazmat.primitives.serialization import Encoding
from fastapi import APIRouter, Request
from starlette.responses import Response

from app.api.pictures import qr_svg
from app.api.resources import Held
from app.api.schemas.envelope import OPEN_PROBLEMS, Out
from app.services.entrance import authority_file, entrance

router = APIRouter(prefix="/api/help", tags=["help"], responses=OPEN_PROBLEMS)

CERTIFICATE_TYPE = "application/x-x509-ca-cert"  # tablets offer to install what comes under this type
ENCODINGS = {"cer": Encoding.DER, "pem": Encoding.PEM}


class HelpOut(Out):
    """Addresses for the device that asks."""

    plain_url: str
    secure_url: str | None
    own_authority: bool
    fingerprint: str | None
    names: list[str]
    authority_until: datetime | None
    help_qr_svg: str
    secure_qr_svg: str | None


@router.get("", response_model=HelpOut)
def help_with_addresses(request: Request, held: Held) -> HelpOut:
    """Where this server is, plainly and securely."""
    found = entrance(held.settings, request.base_url.hostname or "localhost")
    until = authority_file(held.settings, Encoding.DER)[1] if found.own_authority else None
    return HelpOut(
        plain_url=found.plain_url,
        secure_url=found.secure_url,
        own_authority=found.own_authority,
        fingerprint=found.fingerprint,
        names=list(found.names),
        authority_until=until,
        help_qr_svg=qr_svg(f"{found.plain_url}/help.html"),
        secure_qr_svg=qr_svg(found.secure_url) if found.secure_url else None,
    )


def _download(held: Held, ending: str) -> Response:
    data, _ = authority_file(held.settings, ENCODINGS[ending])
    headers = {"Content-Disposition": f'attachment; filename="fairhearing-authority.{ending}"'}
    return Response(data, media_type=CERTIFICATE_TYPE, headers=headers)


CERTIFICATE: dict[int | str, dict[str, Any]] = {
    200: {"content": {CERTIFICATE_TYPE: {}}, "description": "The certificate."}
}


@router.get("/authority.cer", response_class=Response, responses=CERTIFICATE)
def binary(held: Held) -> Response:
    """The authority's certificate as most devices install it."""
    return _download(held, "cer")


@router.get("/authority.pem", response_class=Response, responses=CERTIFICATE)
def text(held: Held) -> Response:
    """The authority's certificate as text."""
    return _download(held, "pem")
