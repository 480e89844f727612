"""What is known of an upload that is still coming in: one file beside its chunks."""

import json
import os
from pathlib import Path
from typing import Any

ABOUT = "about.json"


def read_about(folder: Path) -> dict[str, Any]:
    """What :func:`write_about` kept in ``folder``; raises ``FileNotFoundError`` when nothing is there."""
    about: dict[str, Any] = json.loads((folder / ABOUT).read_text())
    return about


def write_about(folder: Path, about: dict[str, Any]) -> None:
    """Keep it whole or not at all, also over a power cut."""
    temporary = folder / f"{ABOUT}.part"
    with temporary.open("w") as out:
        json.dump(about, out)
        out.flush()
        os.fsync(out.fileno())
    os.rename(temporary, folder / ABOUT)
