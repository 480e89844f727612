"""A database with the present schema, and an audition in it."""

from collections.abc import Iterator

import pytest
from audition_scene import Scene

from app.db.database import Database


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    database = Database(url)
    yield database
    database.close()


@pytest.fixture
def scene(database: Database) -> Scene:
    return Scene(database)
