"""What columns of several tables share."""

from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import declared_attr, deferred


def one_of(column: str, *values: str) -> sa.CheckConstraint:
    """The database holds ``column`` to these values."""
    quoted = ", ".join(f"'{v}'" for v in values)
    return sa.CheckConstraint(f"{column} IN ({quoted})", name=f"{column}_known")


def only_when_asked(*columns: str) -> Any:
    """As ``__mapper_args__`` of a table: what these columns hold is read when it is asked for, not with every row.

    For what may grow to megabytes beside columns that every request needs.
    """

    def arguments(table: Any) -> dict[str, Any]:
        return {"properties": {column: deferred(table.__table__.c[column]) for column in columns}}

    return declared_attr.directive(arguments)
