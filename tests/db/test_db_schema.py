"""Migrations: the tables they make are the ones the code means, and no migration loses a child row."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.exc import IntegrityError

from app.db import schema
from app.db.database import Database, make_engine
from app.db.models import Audition, Piece
from app.domain.errors import WrongState
from app.packaged import packaged_folder

NEWEST = str(ScriptDirectory(str(packaged_folder("alembic"))).get_current_head())  # the last migration that ships
NEXT = f"{int(NEWEST) + 1:04}"  # one that a test adds
HEADER = (
    'import sqlalchemy as sa\nfrom alembic import op\n\nrevision = "{0}"\ndown_revision = "{1}"\n\n\ndef upgrade():\n'
)


pytestmark = pytest.mark.both_engines


@pytest.fixture
def url(engine: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    """A place for a database, empty."""
    if engine == "sqlite":
        yield f"sqlite:///{tmp_path / 'data' / 'fairhearing.db'}"
        return
    cluster = request.getfixturevalue("cluster")
    name = cluster.make()
    yield cluster.url(name)
    cluster.drop(name)


def test_the_migrations_make_what_the_code_means(url: str) -> None:
    schema.upgrade(url)
    engine = make_engine(url, writing=False)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, schema.metadata()) == []
        assert schema.current_revision(connection) == schema.head_revision()
    engine.dispose()


def test_every_constraint_has_a_name() -> None:
    """SQLite can only alter a constraint that has one."""
    unnamed = [
        (table.name, constraint)
        for table in schema.metadata().sorted_tables
        for constraint in table.constraints
        if constraint.name is None
    ]
    assert unnamed == []


def test_upgrading_twice_is_harmless(url: str) -> None:
    schema.upgrade(url)
    schema.upgrade(url)


def test_the_folder_of_migrations_is_no_package() -> None:
    """An ``__init__.py`` there would hide the library of the same name from everything run in the checkout."""
    assert not (packaged_folder("alembic") / "__init__.py").exists()
    assert not (packaged_folder("alembic") / "versions" / "__init__.py").exists()


@pytest.fixture
def migrations(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the migrations that a test may add to."""
    folder = tmp_path / "alembic"
    shutil.copytree(packaged_folder("alembic"), folder, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(schema, "packaged_folder", lambda name: folder)
    return folder


def add_migration(folder: Path, name: str, after: str, body: str) -> None:
    (folder / "versions" / f"{name}.py").write_text(HEADER.format(name, after) + body)


@pytest.fixture
def with_data(url: str, migrations: Path) -> str:
    schema.upgrade(url, NEWEST)
    database = Database(url)

    def fill(session):  # type: ignore[no-untyped-def]
        from datetime import date

        audition = Audition.model_validate({"name": "Spring mock", "held_on": date(2026, 3, 1)})
        session.add(audition)
        session.flush()
        for title in ("Étude", "Scale"):
            session.add(Piece.model_validate({"audition_id": audition.id, "title": title, "kind": "abc"}))

    database.write(fill)
    database.close()
    return url


def rows(url: str, statement: str) -> list[tuple]:  # type: ignore[type-arg]
    engine = make_engine(url, writing=False)
    with engine.connect() as connection:
        found = [tuple(row) for row in connection.execute(sa.text(statement))]
    engine.dispose()
    return found


def test_altering_a_parent_keeps_its_children(with_data: str, migrations: Path) -> None:
    add_migration(
        migrations,
        NEXT,
        NEWEST,
        '    with op.batch_alter_table("audition") as batch:\n'
        '        batch.alter_column("name", type_=sa.String(300))\n'
        '        batch.add_column(sa.Column("motto", sa.String(20), server_default=""))\n',
    )
    schema.upgrade(with_data)
    assert rows(with_data, "SELECT count(*) FROM piece, audition WHERE piece.audition_id = audition.id") == [(2,)]
    assert rows(with_data, "SELECT motto FROM audition") == [("",)]


def test_a_migration_that_fails_leaves_everything_as_it_was(with_data: str, migrations: Path) -> None:
    add_migration(
        migrations,
        NEXT,
        NEWEST,
        '    op.add_column("audition", sa.Column("motto", sa.String(20)))\n'
        '    op.execute("UPDATE audition SET name = NULL")\n',
    )
    with pytest.raises(IntegrityError):
        schema.upgrade(with_data)
    assert rows(with_data, "SELECT name FROM audition") == [("Spring mock",)]
    engine = make_engine(with_data, writing=False)
    assert "motto" not in {column["name"] for column in sa.inspect(engine).get_columns("audition")}
    engine.dispose()
    assert rows(with_data, "SELECT version_num FROM alembic_version") == [(NEWEST,)]


def test_a_migration_that_breaks_references_is_refused(with_data: str, migrations: Path) -> None:
    add_migration(migrations, NEXT, NEWEST, '    op.execute("DELETE FROM audition")\n')
    with pytest.raises(WrongState, match="nothing was changed"):
        schema.upgrade(with_data)
    assert rows(with_data, "SELECT count(*) FROM audition") == [(1,)]


def test_data_of_a_newer_version_are_refused(with_data: str, migrations: Path) -> None:
    add_migration(migrations, NEXT, NEWEST, "    pass\n")
    schema.upgrade(with_data)
    (migrations / "versions" / f"{NEXT}.py").unlink()
    with pytest.raises(WrongState, match="newer Fairhearing"):
        schema.upgrade(with_data)
