"""Logs say what happened and where, and quote nobody."""

import json
import logging
from collections.abc import Iterator

import pytest
import structlog

from app.services.logs import set_up_logs


@pytest.fixture
def logs(capsys: pytest.CaptureFixture[str]) -> Iterator[pytest.CaptureFixture[str]]:
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield capsys
    root.handlers[:] = handlers
    root.setLevel(level)
    structlog.reset_defaults()


def entries(logs: pytest.CaptureFixture[str]) -> list[dict[str, object]]:
    return [json.loads(line) for line in logs.readouterr().err.splitlines()]


def test_own_and_foreign_logs_are_one_json_line_each(logs: pytest.CaptureFixture[str]) -> None:
    set_up_logs()  # here and not in the fixture: pytest gives the test another standard error
    structlog.get_logger("fairhearing").info("job_done", job="x")
    # A name of its own: servers in earlier tests may have quietened the loggers of theirs.
    logging.getLogger("a.library").error("Something %s", "odd")
    own, foreign = entries(logs)
    assert (own["event"], own["job"], own["level"]) == ("job_done", "x", "info")
    assert (foreign["event"], foreign["level"]) == ("Something odd", "error")
    assert str(own["timestamp"]).endswith("Z")


def test_an_error_is_placed_and_not_quoted(logs: pytest.CaptureFixture[str]) -> None:
    set_up_logs()

    def fail() -> None:
        raise KeyError("Ada Sample")

    try:
        fail()
    except KeyError:
        structlog.get_logger("fairhearing").exception("job_failed", job="x")
        logging.getLogger("other").exception("It failed")
    text = logs.readouterr().err
    assert "Ada" not in text
    own, foreign = (json.loads(line) for line in text.splitlines())
    for entry in (own, foreign):
        assert entry["kind"] == "KeyError"
        assert entry["at"][-1].startswith("test_services_logs.py:")
        assert entry["at"][-1].endswith(" fail")
