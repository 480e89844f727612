"""What holds for every test: random tests tell nothing about speed, so they have no deadline and may draw slowly.

Also the databases. A test that asks for ``url`` (or what is built on it) gets SQLite; with the mark ``both_engines`` it
runs once more on PostgreSQL. ``--engine postgresql`` runs every such test there and only there.
"""

import gc
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import postgres_cluster
import pytest
import s3_server
from hypothesis import HealthCheck, settings

from app.db import schema

settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")

gc.disable()  # until all tests are collected: a third of the time that takes is looking for garbage that isn't there

ENGINES = ("sqlite", "postgresql")
MakeUrl = Callable[[], str]


@pytest.fixture(scope="session")
def cluster() -> Iterator[postgres_cluster.Cluster]:
    """A PostgreSQL server; skipped in a sentence where its programs are missing, but not in CI."""
    programs = postgres_cluster.programs()
    if programs is None:
        sentence = "PostgreSQL's programs are missing; install the package postgresql to run these tests"
        if os.environ.get("CI") == "true":
            pytest.fail(sentence)
        pytest.skip(sentence)
    with postgres_cluster.running(programs) as cluster:
        yield cluster


@pytest.fixture(scope="session")
def s3() -> Iterator[s3_server.Server]:
    """An object store; skipped in a sentence where its program is missing, but not in CI."""
    program = s3_server.program()
    if program is None:
        sentence = "s3rver is missing; install it (npm install s3rver) and name it in S3RVER to run these tests"
        if os.environ.get("CI") == "true":
            pytest.fail(sentence)
        pytest.skip(sentence)
    with s3_server.running(program) as server:
        yield server


@pytest.fixture(scope="session")
def _postgresql_template(cluster: postgres_cluster.Cluster) -> str:
    """A database brought to the present schema once; tests work on copies."""
    name = cluster.make()
    schema.upgrade(cluster.url(name))
    return name


@pytest.fixture(scope="session")
def _sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file brought to the present schema once; tests work on copies."""
    path = tmp_path_factory.mktemp("template") / "empty.db"
    schema.upgrade(f"sqlite:///{path}")
    return path


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--engine", choices=ENGINES, help="the database for every test that needs one")


def pytest_collection_finish() -> None:
    """What the tests' modules brought stays to the end, so it is never looked through for garbage again."""
    gc.collect()
    gc.freeze()
    gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Modules with slow tests come first: else one process is left alone with them when the others are done."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "engine" not in metafunc.fixturenames:
        return
    said = metafunc.config.getoption("--engine")
    if metafunc.definition.get_closest_marker("file_database"):
        return
    if said is not None:
        metafunc.parametrize("engine", [said])
    elif metafunc.definition.get_closest_marker("both_engines"):
        metafunc.parametrize("engine", ENGINES)


@pytest.fixture
def engine() -> str:
    """The kind of database, where no mark chooses another."""
    return ENGINES[0]


@pytest.fixture
def make_url(engine: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[MakeUrl]:
    """Makes the address of a new database with the present schema per call."""
    with ExitStack() as made:

        def make() -> str:
            if engine == "postgresql":
                cluster = request.getfixturevalue("cluster")
                name = cluster.make(request.getfixturevalue("_postgresql_template"))
                made.callback(cluster.drop, name)
                return str(cluster.url(name))
            path = tmp_path / "data" / "fairhearing.db"
            while path.exists():
                path = path.with_name(f"more-{path.name}")
            path.parent.mkdir(exist_ok=True)
            shutil.copy(request.getfixturevalue("_sqlite_template"), path)
            return f"sqlite:///{path}"

        yield make


@pytest.fixture
def url(make_url: MakeUrl) -> str:
    """The address of a new database with the present schema."""
    return make_url()
