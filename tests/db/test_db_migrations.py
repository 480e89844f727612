"""Every schema that was ever released, with a row in every table, comes forward whole on both engines."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from rows_everywhere import ROWS, fill, tables_of
from sqlmodel import Session, SQLModel, select

from app.db import schema
from app.db.database import make_engine
from app.packaged import packaged_folder

pytestmark = pytest.mark.both_engines

RELEASED = sorted(script.revision for script in ScriptDirectory(str(packaged_folder("alembic"))).walk_revisions())


@pytest.fixture
def url(engine: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    if engine == "sqlite":
        yield f"sqlite:///{tmp_path / 'fairhearing.db'}"
        return
    cluster = request.getfixturevalue("cluster")
    name = cluster.make()
    yield cluster.url(name)
    cluster.drop(name)


def content(connection: sa.Connection) -> dict[str, list[dict[str, Any]]]:
    found = {}
    for table in tables_of(connection):
        key = next(iter(table.primary_key.columns))
        rows = connection.execute(sa.select(table).order_by(key)).mappings()
        found[table.name] = [dict(row) for row in rows]
    return found


@pytest.mark.parametrize("released", RELEASED)
def test_a_released_schema_comes_forward_with_everything_in_it(url: str, released: str) -> None:
    schema.upgrade(url, released)
    engine = make_engine(url, writing=True)
    with engine.begin() as connection:
        fill(connection)
        before = content(connection)
    engine.dispose()
    assert all(len(rows) == ROWS for rows in before.values())
    assert len(before) > 20

    schema.upgrade(url)

    engine = make_engine(url, writing=False)
    with engine.connect() as connection:
        after = content(connection)
        for name, rows in before.items():
            kept = [{key: row[key] for key in old} for row, old in zip(after[name], rows, strict=True)]
            assert kept == rows, name
        drift = compare_metadata(MigrationContext.configure(connection, opts={"compare_type": True}), schema.metadata())
        assert drift == []
    with Session(engine) as session:  # and the present code can read every row
        for mapper in SQLModel._sa_registry.mappers:
            if mapper.local_table.name in before:
                assert len(session.exec(select(mapper.class_)).all()) == ROWS
    engine.dispose()
