"""The front end's files by themselves: vendored libraries, layers, the strict policy, contrast. Needs no browser."""

import hashlib
import json
import re
from pathlib import Path

import pytest

FRONTEND = Path(__file__).resolve().parents[2] / "frontend"
OWN_SCRIPTS = sorted(path for path in FRONTEND.rglob("*.js") if "vendor" not in path.relative_to(FRONTEND).parts)
VENDORED = json.loads((FRONTEND / "vendor" / "vendor.json").read_text())["packages"]


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("package", VENDORED, ids=lambda package: package["name"])
def test_vendored_files_are_what_the_record_says(package):
    assert package["version"]
    assert package["licence"] in {"MIT", "ISC", "Apache-2.0", "OFL-1.1"}
    assert sha256(FRONTEND / package["licence_file"]) == package["licence_sha256"]
    for file in package["files"]:
        assert sha256(FRONTEND / file["file"]) == file["sha256"], file["file"]


def test_the_accessibility_rules_are_what_their_record_says():
    vendor = Path(__file__).parent / "vendor"
    [package] = json.loads((vendor / "vendor.json").read_text())["packages"]
    assert package["version"] in (vendor / "axe.min.js").read_text()[:40]
    for file in package["files"]:
        assert sha256(vendor / file["file"]) == file["sha256"], file["file"]


def test_nothing_vendored_is_missing_from_the_record():
    recorded = {file["file"] for package in VENDORED for file in package["files"]}
    there = {
        str(path.relative_to(FRONTEND)) for folder in ("vendor", "fonts") for path in FRONTEND.glob(f"{folder}/*.*")
    }
    assert there - {"vendor/vendor.json"} == recorded


def imports(path: Path) -> list[str]:
    return re.findall(r'(?:from|import)\s*"([^"]+)"', path.read_text())


def test_every_import_is_relative_and_there():
    assert OWN_SCRIPTS
    for path in FRONTEND.rglob("*.js"):
        for name in imports(path):
            assert name.startswith("."), f"{path}: bare import {name}"
            assert (path.parent / name).resolve().is_file(), f"{path}: {name} is not there"


def test_nothing_is_vendored_that_nobody_imports():
    used = {(path.parent / name).resolve() for path in FRONTEND.rglob("*.js") for name in imports(path)}
    assert {path for path in (FRONTEND / "vendor").glob("*.js") if path.resolve() not in used} == set()


def test_the_core_knows_no_screen():
    core = sorted((FRONTEND / "core").glob("*.js"))
    assert core
    for path in core:
        text = path.read_text()
        assert not [name for name in imports(path) if "views" in name], path
        assert not re.search(r"\b(document|window)\.", text), f"{path} touches the page"


def test_pages_hold_no_inline_script_or_style():
    pages = sorted(FRONTEND.glob("*.html"))
    assert {page.name for page in pages} == {
        "check.html",
        "day-recording.html",
        "door.html",
        "hand-in.html",
        "help.html",
        "index.html",
        "join.html",
        "leader.html",
        "panel.html",
        "room.html",
        "student.html",
    }
    for page in pages:
        text = page.read_text()
        assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*\ssrc=)", text), page
        assert not re.search(r'(src|href)="(https?:)?//', text), page
    for path in OWN_SCRIPTS:
        assert not re.search(r"\b(alert|confirm|prompt|eval)\(|innerHTML|new Function", path.read_text()), path


def luminance(colour: str) -> float:
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, relative luminance)."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_measure():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well-known near miss


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_text_and_controls_stand_out(dark):
    css = (FRONTEND / "styles" / "fairhearing.css").read_text()
    light, other = re.split(r"@media \(prefers-color-scheme: dark\)", css, maxsplit=1)
    tokens = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))
    if dark:
        tokens |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", other))
    for text in ("ink", "soft", "high-text", "low", "deed"):
        assert contrast(tokens[text], tokens["paper"]) >= 4.5, text
        assert contrast(tokens[text], tokens["wash"]) >= 4.5, f"{text} on wash"
    assert contrast(tokens["on-deed"], tokens["deed"]) >= 4.5
    assert contrast(tokens["edge"], tokens["paper"]) >= 3  # WCAG 2.2, 1.4.11: borders of controls
    assert contrast(tokens["high"], tokens["paper"]) >= 3
