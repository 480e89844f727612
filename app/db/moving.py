"""Carrying every row of a SQLite database into an empty PostgreSQL one: all of them, or none.

JSON travels as the text it was stored as, so that hashes taken of it still hold and ``null`` stays apart from nothing.
Before the commit every row is read back from the target and held against the source.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from app.db import schema
from app.db.database import make_engine
from app.domain.errors import Unavailable, WrongState

AT_ONCE = 200  # our choice: rows in memory; findings are the largest, some 100 KB each

Told = Callable[[str, int], None]


@dataclass(frozen=True, slots=True)
class Carried:
    """How many rows of how many tables are in the target, each equal to its source."""

    tables: int
    rows: int


def carry(source_url: str, target_url: str, told: Told) -> Carried:
    """Carry all rows from SQLite to PostgreSQL; both must have the present schema. ``told(table, rows)`` follows it.

    Raises ``WrongState`` when the target holds a row already and ``Unavailable`` when it refuses one or breaks off;
    then the target is as empty as before.
    """
    source, target = make_engine(source_url, writing=False, pool_size=1), make_engine(target_url, writing=True)
    tables = schema.metadata().sorted_tables
    try:
        with source.connect() as reading, target.connect() as writing, writing.begin():
            names = ", ".join(writing.dialect.identifier_preparer.format_table(table) for table in tables)
            # The first statement, so the snapshot comes after it: a server that is started now waits until the end.
            writing.exec_driver_sql(f"LOCK TABLE {names} IN ACCESS EXCLUSIVE MODE")
            for table in tables:
                if writing.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).first() is not None:
                    raise WrongState(
                        "The PostgreSQL database is not empty, and carrying never writes over anything; make a new one "
                        "and name it in FAIRHEARING_DATABASE_URL.",
                        table=table.name,
                    )
            for table in tables:
                _copy(reading, writing, table)
            rows = 0
            for table in tables:
                count = _compare(reading, writing, table)
                told(table.name, count)
                rows += count
        return Carried(len(tables), rows)
    except DBAPIError as error:
        why = str(error.orig).strip().splitlines()[0].rstrip(".")
        raise Unavailable(
            f"PostgreSQL did not take everything ({why}), so nothing was kept there and the data folder is as it was."
        ) from error
    finally:
        source.dispose()
        target.dispose()


def is_foreign(url: str) -> bool:
    """Whether the PostgreSQL database holds tables, none of which Fairhearing made."""
    engine = make_engine(url, writing=False)
    try:
        with engine.connect() as connection:
            return schema.current_revision(connection) is None and bool(sa.inspect(connection).get_table_names())
    except DBAPIError as error:
        why = str(error.orig).strip().splitlines()[-1].removeprefix("connection failed: ").rstrip(".")
        raise Unavailable(
            f"The database does not answer ({why}); check that PostgreSQL runs and that FAIRHEARING_DATABASE_URL "
            "is right."
        ) from error
    finally:
        engine.dispose()


def _copy(reading: sa.Connection, writing: sa.Connection, table: sa.Table) -> None:
    """Rows first, without what points to a row of the same table; then that."""
    own = [c for c in table.columns if any(key.column.table is table for key in c.foreign_keys)]
    values = {
        c.name: sa.cast(sa.bindparam(c.name, type_=sa.Text), c.type) if _is_json(c) else sa.bindparam(c.name)
        for c in table.columns
        if c not in own
    }
    statement = sa.insert(table).values(values)
    for rows in _read(reading, table).partitions(AT_ONCE):
        writing.execute(statement, [{name: row._mapping[name] for name in values} for row in rows])
    keys = {f"the_{c.name}": c for c in table.primary_key.columns}
    for column in own:
        this_row = [key == sa.bindparam(name) for name, key in keys.items()]
        pointing = sa.update(table).where(*this_row).values({column: sa.bindparam("points_to")})
        named = [key.label(name) for name, key in keys.items()]
        found = sa.select(*named, column.label("points_to")).where(column.is_not(None))
        for pairs in reading.execute(found).partitions(AT_ONCE):
            writing.execute(pointing, [dict(pair._mapping) for pair in pairs])


def _compare(reading: sa.Connection, writing: sa.Connection, table: sa.Table) -> int:
    """How many rows there are; raises ``Unavailable`` when one is not in the target as it is in the source."""
    count = 0
    with _read(reading, table) as rows, _read(writing, table) as copies:
        for row, copy in zip_longest(rows, copies):
            if row is None or copy is None or tuple(row) != tuple(copy):
                raise Unavailable(
                    f"A row of the table {table.name} did not arrive as it is, so nothing was kept in PostgreSQL."
                )
            count += 1
    return count


def _read(connection: sa.Connection, table: sa.Table) -> sa.CursorResult[Any]:
    """All rows in order of their keys, byte by byte on both databases; JSON as text."""
    columns = [sa.cast(c, sa.Text).label(c.name) if _is_json(c) else c for c in table.columns]
    order = [c.collate("C" if connection.dialect.name == "postgresql" else "BINARY") for c in table.primary_key.columns]
    return connection.execution_options(yield_per=AT_ONCE).execute(sa.select(*columns).order_by(*order))


def _is_json(column: "sa.Column[Any]") -> bool:
    return isinstance(column.type, sa.JSON)
