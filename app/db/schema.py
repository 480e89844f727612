"""Bringing a database to the present schema, through alembic, from code.

Altering a table on SQLite means copying it and dropping the old one; with foreign keys on, the drop deletes the
child rows. So: foreign keys off outside the transaction, every step in one transaction, a check before the commit.
"""

from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlmodel import SQLModel

from app.db import identities, models
from app.db.database import make_engine
from app.domain.errors import Unavailable, WrongState
from app.packaged import packaged_folder

ONE_AT_A_TIME = 0x46616972  # our choice: the advisory lock under which one server migrates while others wait
FOREIGN_KEY = "23503"  # foreign key violation (PostgreSQL's appendix A)
BROKEN_REFERENCES = "The new version would break references in the data, so nothing was changed; restore a backup."
TABLES = (models, identities)  # imported so that their tables are known below


def metadata() -> sa.MetaData:
    """All tables of the present schema."""
    return SQLModel.metadata


def _config(connection: sa.Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(packaged_folder("alembic")).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def head_revision() -> str:
    """The newest schema this code knows."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    if head is None:
        raise FileNotFoundError("the folder of migrations holds no migration; install Fairhearing again")
    return head


def current_revision(connection: sa.Connection) -> str | None:
    """The schema the database has, or None when it is empty."""
    return MigrationContext.configure(connection).get_current_revision()


def upgrade(url: str, revision: str = "head") -> None:
    """Bring the database at ``url`` to ``revision``, all or nothing. Harmless when it is there already.

    Several servers may ask for it at the same moment. Raises ``WrongState`` when a newer Fairhearing made the database
    or a migration would break references, ``Unavailable`` when a PostgreSQL server does not answer.
    """
    is_sqlite = url.startswith("sqlite")
    if is_sqlite:
        Path(sa.make_url(url).database or "").parent.mkdir(parents=True, exist_ok=True)
    engine = make_engine(url, writing=True, pool_size=1, foreign_keys=False)
    try:
        with _connected(engine) as connection, connection.begin():
            if not is_sqlite:
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(ONE_AT_A_TIME)))
            known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
            present = current_revision(connection)
            if present is not None and present not in known:
                raise WrongState(
                    "These data were made by a newer Fairhearing; start that version, or restore an older backup.",
                    schema=present,
                )
            command.upgrade(_config(connection), revision)
            if is_sqlite:
                broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
                if broken:
                    raise WrongState(BROKEN_REFERENCES, tables=sorted({str(row[0]) for row in broken}))
    except IntegrityError as error:
        if getattr(error.orig, "sqlstate", None) != FOREIGN_KEY:
            raise
        raise WrongState(BROKEN_REFERENCES) from error
    finally:
        engine.dispose()


def _connected(engine: sa.Engine) -> sa.Connection:
    if engine.dialect.name == "sqlite":
        return engine.connect()
    try:
        # Not on one snapshot: whoever waited for another server's migration must see what that one did.
        return engine.execution_options(isolation_level="READ COMMITTED").connect()
    except OperationalError as error:
        why = str(error.orig).strip().splitlines()[-1].removeprefix("connection failed: ").rstrip(".")
        raise Unavailable(
            f"The database does not answer ({why}); check that PostgreSQL runs and that FAIRHEARING_DATABASE_URL "
            "is right."
        ) from error
