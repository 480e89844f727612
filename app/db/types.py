"""Column types that mean the same on SQLite and PostgreSQL."""

from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Dialect
from sqlmodel import SQLModel

# Every constraint gets a name before any table is defined: SQLite can only alter what has one.
SQLModel.metadata.naming_convention = sa.util.immutabledict(
    {
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


TICK = timedelta(microseconds=1)  # the finest both databases keep


class UtcDateTime(sa.types.TypeDecorator[datetime]):
    """An aware datetime in UTC. SQLite drops the zone, so it is put back on the way out."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC; a naive time is a bug."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without its zone was about to be stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Put the zone back that SQLite dropped."""
        if value is None:
            return None
        moment: datetime = value
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def now_utc() -> datetime:
    """The present moment, aware, in UTC."""
    return datetime.now(UTC)


def now_after(*earlier: datetime | None) -> datetime:
    """The present moment, or just after the latest of ``earlier`` when the clock was set back since.

    For times that say which of several rows came last.
    """
    return max([now_utc(), *(moment + TICK for moment in earlier if moment is not None)])
