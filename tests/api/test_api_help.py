"""The help page's addresses: what a device is told depends on how this server is reached."""

from collections.abc import Callable
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes

from app.db.types import now_utc
from app.services import certificates
from app.services.entrance import entrance
from app.settings import Settings


def test_without_https_the_plain_address_stands_alone(browser: Callable[..., Any]) -> None:
    told = browser().get("/api/help").json()
    assert (told["secure_url"], told["fingerprint"], told["own_authority"]) == (None, None, False)
    assert told["help_qr_svg"].startswith("<svg")
    refused = browser().get("/api/help/authority.cer")
    assert refused.status_code == 404
    assert "plain http only" in refused.json()["error"]["sentence"]


@pytest.fixture
def settings(settings: Settings, request: pytest.FixtureRequest) -> Settings:
    if "secure" not in request.node.name:
        return settings
    certificates.ensure(settings.data_dir / "tls", ["localhost"], ["127.0.0.1"], now=now_utc())
    return settings.model_copy(update={"https_port": 8443, "port": 8000})


def test_the_secure_address_comes_with_what_it_needs(browser: Callable[..., Any]) -> None:
    told = browser().get("/api/help").json()
    assert told["secure_url"] == "https://testserver:8443"
    reply = browser().get("/api/help/authority.cer")
    assert reply.headers["content-type"] == "application/x-x509-ca-cert"
    downloaded = x509.load_der_x509_certificate(reply.content)
    assert downloaded.fingerprint(hashes.SHA256()).hex().upper() == told["fingerprint"].replace(":", "")
    assert x509.load_pem_x509_certificate(browser().get("/api/help/authority.pem").content) == downloaded
    assert b"PRIVATE" not in reply.content


def test_behind_a_proxy_its_own_certificate_counts(settings: Settings) -> None:
    found = entrance(settings.model_copy(update={"public_url": "https://auditions.school.example"}), "10.0.0.1")
    assert (found.secure_url, found.own_authority) == ("https://auditions.school.example", False)
    assert entrance(settings.model_copy(update={"public_url": "http://plain.example"}), "x").secure_url is None
