"""Every schema that was ever released, with a row in every table, comes forward whole on both engines."""

import itertools
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlmodel import Session, SQLModel, select

from app.db import schema
from app.db.database import make_engine
from app.packaged import packaged_folder

pytestmark = pytest.mark.both_engines

VERSIONS = "alembic_version"
RELEASED = sorted(script.revision for script in ScriptDirectory(str(packaged_folder("alembic"))).walk_revisions())
MOMENT = datetime(2026, 3, 29, 1, 30, 0, 123456, tzinfo=UTC)  # in the hour that Europe's clocks skip
ROWS = 2  # per table


@pytest.fixture
def url(engine: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    if engine == "sqlite":
        yield f"sqlite:///{tmp_path / 'fairhearing.db'}"
        return
    cluster = request.getfixturevalue("cluster")
    name = cluster.make()
    yield cluster.url(name)
    cluster.drop(name)


def tables_of(connection: sa.Connection) -> list[sa.Table]:
    """What is really there, parents first."""
    found = sa.MetaData()
    found.reflect(connection)
    return [table for table in found.sorted_tables if table.name != VERSIONS]


def known_values(connection: sa.Connection, table: str) -> dict[str, str]:
    """The first value that each check of a column lets pass."""
    checks = [str(check["sqltext"]) for check in sa.inspect(connection).get_check_constraints(table)]
    found = (re.search(r"(\w+)\W.*?(?:IN \(|ARRAY\[)\(?'([^']*)'", check) for check in checks)
    return {match.group(1): match.group(2) for match in found if match is not None}


def a_value(column: sa.Column[Any], n: int) -> Any:
    kind = column.type
    if isinstance(kind, sa.JSON):
        return {"é": [n, 0.1, None]}
    if isinstance(kind, sa.DateTime):
        return MOMENT
    if isinstance(kind, sa.Date):
        return date(2026, 2, 28)
    if isinstance(kind, sa.Boolean):
        return True
    if isinstance(kind, sa.Integer):
        return n
    if isinstance(kind, sa.Float | sa.Numeric):
        return 441.5
    if isinstance(kind, sa.LargeBinary):
        return bytes(range(256))
    return f"ž{n}"[: getattr(kind, "length", None) or 20]


def fill(connection: sa.Connection) -> None:
    """Rows in every table, each pointing to the row of its own number."""
    for table in tables_of(connection):
        known = known_values(connection, table.name)
        for n in range(ROWS):
            row = {c.name: known.get(c.name, a_value(c, n)) for c in table.columns}
            for key, column in itertools.product(table.foreign_keys, table.columns):
                if key.parent is column and key.column.table is table:
                    row[column.name] = None  # the first of its kind follows none
            connection.execute(table.insert().values(row))


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
