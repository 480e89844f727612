"""Where the folders that ship beside the code are: in a checkout, or inside the installed package.

``frontend/``, ``alembic/`` and ``seed_data/`` stand at the top of a checkout; a wheel has them under ``app/_data``.
"""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def packaged_folder(name: str) -> Path:
    """The folder ``name`` as shipped; raises ``FileNotFoundError`` when the installation is incomplete."""
    for place in (_PACKAGE / "_data" / name, _PACKAGE.parent / name):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"the folder {name!r} is missing from this installation of Fairhearing; install it again")
