"""Options that several commands share, and the settings they make."""

import argparse
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from sqlmodel import Session, select

from app.db.models import Audition
from app.domain.errors import BadInput, NotFound
from app.domain.texts import alike
from app.settings import Settings


def add_data_option(parser: argparse.ArgumentParser) -> None:
    """``--data FOLDER``."""
    parser.add_argument("--data", type=Path, metavar="FOLDER", help="data folder (default: fairhearing-data)")


def settings_from(args: argparse.Namespace, **fields: Any) -> Settings:
    """Settings from the environment, overridden by what was said on the command line (None: not said)."""
    said = {"data_dir": args.data, **fields}
    try:
        return Settings(**{name: value for name, value in said.items() if value is not None})
    except ValidationError as error:
        first = error.errors()[0]
        name = str(first["loc"][0]) if first["loc"] else "settings"
        raise BadInput(f"The setting {name} can't be used: {str(first['msg']).lower()}.") from error


def existing_settings(args: argparse.Namespace) -> Settings:
    """Like :func:`settings_from` for commands that need data to be there; raises ``BadInput`` when they are not."""
    settings = settings_from(args)
    if settings.database_url is None and not (settings.data_dir / "fairhearing.db").is_file():
        raise BadInput(f"There are no Fairhearing data in {settings.data_dir}; name their folder with --data.")
    return settings


def find_audition(session: Session, text: str) -> str:
    """The id of the audition of this name or id; raises ``NotFound``."""
    found = [a.id for a in session.exec(select(Audition)).all() if a.id == text or alike(a.name) == alike(text)]
    if len(found) != 1:
        raise NotFound(
            f"There is no audition “{text}”; check its name."
            if not found
            else f"Several auditions are called “{text}”; use the audition's id instead."
        )
    return found[0]


def checked_takes_url(text: str) -> str:
    """The address of an object store as settings hold it; raises ``BadInput``."""
    try:
        url = Settings(takes_url=text).takes_url
    except ValidationError as error:
        raise BadInput(f"{text} is no address of a take store: write s3://BUCKET/PREFIX, or folder.") from error
    if url is None:
        raise BadInput("Say where to: s3://BUCKET/PREFIX, or folder.")
    return url
