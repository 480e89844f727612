"""Logs as JSON lines on standard error. They carry ids, kinds and times, never names, marks or what was typed."""

import logging
import sys
import traceback
from typing import Any, Literal

import structlog

FRAMES = 8  # our choice: enough to find the place


def place_of(error: BaseException) -> dict[str, Any]:
    """The kind of an error and where it happened. Its text is left out: it may quote what somebody typed."""
    frames = traceback.extract_tb(error.__traceback__)[-FRAMES:]
    return {
        "kind": type(error).__name__,
        "at": [f"{frame.filename.rpartition('/')[2]}:{frame.lineno} {frame.name}" for frame in frames],
    }


def place_instead_of_text(
    _logger: object, _method: str, entry: structlog.typing.EventDict
) -> structlog.typing.EventDict:
    """In a log entry, the place of its error instead of a traceback with texts."""
    given = entry.pop("exc_info", None)
    error = given[1] if isinstance(given, tuple) else sys.exc_info()[1] if given is True else given
    if isinstance(error, BaseException):
        entry.update(place_of(error))
    return entry


def set_up_logs(at_least: Literal["info", "warning"] = "info") -> None:
    """Send every log of this process through one JSON writer. Harmless when called twice."""
    level = {"info": logging.INFO, "warning": logging.WARNING}[at_least]
    steps: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        place_instead_of_text,
    ]
    structlog.configure(
        processors=[*steps, structlog.processors.JSONRenderer()],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
    foreign = structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=steps,
        processors=[
            structlog.stdlib.ProcessorFormatter.remove_processors_meta,
            structlog.processors.JSONRenderer(),
        ],
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(foreign)
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(max(level, logging.WARNING))
