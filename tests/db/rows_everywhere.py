"""Rows in every table there is, whatever a later version adds: made from what the database itself says of them."""

import itertools
import re
from datetime import UTC, date, datetime
from typing import Any

import sqlalchemy as sa

VERSIONS = "alembic_version"
MOMENT = datetime(2026, 3, 29, 1, 30, 0, 123456, tzinfo=UTC)  # in the hour that Europe's clocks skip
ROWS = 2  # per table


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
