"""Codes to scan."""

import io

import segno

QR_SCALE = 6  # pixels per module; our choice, readable from an arm's length
QR_QUIET_ZONE = 4  # modules; ISO/IEC 18004 asks for 4


def qr_svg(text: str) -> str:
    """A QR code as SVG, black on white whatever the page's colours."""
    picture = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        picture, kind="svg", scale=QR_SCALE, border=QR_QUIET_ZONE, xmldecl=False, nl=False, light="#fff", dark="#000"
    )
    return picture.getvalue().decode()
