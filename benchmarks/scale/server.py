"""A PostgreSQL server for the time of a benchmark: made as the tests make theirs, but with all that keeps data."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import sqlalchemy as sa

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))

import postgres_cluster

from app.db import schema

SAFE = {"fsync": "on", "full_page_writes": "on", "autovacuum": "on"}


@contextmanager
def databases() -> Iterator[postgres_cluster.Cluster]:
    """A server of its own in a temporary folder."""
    programs = postgres_cluster.programs()
    if programs is None:
        raise SystemExit("PostgreSQL's programs are missing; install the package postgresql.")
    postgres_cluster.FAST.update(SAFE)
    with postgres_cluster.running(programs) as cluster:
        yield cluster


def with_schema(cluster: postgres_cluster.Cluster) -> str:
    """The address of a new database with the present schema."""
    url = cluster.url(cluster.make())
    schema.upgrade(url)
    return url


def straight(url: str) -> str:
    """The same address as psycopg itself reads it."""
    parts = sa.make_url(url)
    return f"host={parts.query['host']} user={parts.username} dbname={parts.database}"


def analyze(url: str) -> None:
    """What autovacuum does within a minute of rows that came in bulk."""
    with psycopg.connect(straight(url), autocommit=True) as connection:
        connection.execute("VACUUM ANALYZE")


def transactions(url: str) -> int:
    """How many transactions the database has seen: reading ones end with a rollback, so those count as well."""
    with psycopg.connect(straight(url), autocommit=True) as connection:
        connection.execute("SELECT pg_stat_force_next_flush()")
        row = connection.execute(
            "SELECT xact_commit + xact_rollback FROM pg_stat_database WHERE datname = current_database()"
        ).fetchone()
    return int(row[0]) if row else 0


def processor_sec(url: str) -> float:
    """Processor seconds that the server and all its processes have used, those that ended included."""
    with psycopg.connect(straight(url), autocommit=True) as connection:
        row = connection.execute("SELECT pg_backend_pid()").fetchone()
        own = Path(f"/proc/{row[0] if row else 0}/stat").read_text().rpartition(")")[2].split()
        above = own[1]
        found = [above, *Path(f"/proc/{above}/task/{above}/children").read_text().split()]
        ticks = 0
        for pid in found:
            try:
                fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            except FileNotFoundError:
                continue  # it ended meanwhile
            ticks += sum(int(fields[n]) for n in ((11, 12, 13, 14) if pid == above else (11, 12)))
    return ticks / os.sysconf("SC_CLK_TCK")


def load() -> str:
    """How busy the machine is, for the head of a table."""
    return f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
