"""Folders that must hold what was put into them after a power cut."""

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the folder's entries durable: a file's own fsync does not cover its name."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
