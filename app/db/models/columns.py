"""What columns of several tables share."""

import sqlalchemy as sa


def one_of(column: str, *values: str) -> sa.CheckConstraint:
    """The database holds ``column`` to these values."""
    quoted = ", ".join(f"'{v}'" for v in values)
    return sa.CheckConstraint(f"{column} IN ({quoted})", name=f"{column}_known")
