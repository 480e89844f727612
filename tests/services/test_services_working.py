"""A worker's computing stands back for others; its claims, its signs of life and its results do not."""

import os
import sys
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from app.jobs.ledger import LeaseLost, Progress, Save
from app.services.working import POLITENESS, in_background


def standing() -> int:
    return os.getpriority(os.PRIO_PROCESS, threading.get_native_id())


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps a standing for each thread")
def test_only_the_computing_steps_back() -> None:
    before = standing()
    told: list[int] = []

    def task(payload: Mapping[str, Any], progress: Progress) -> Save:
        progress(0.5, "computing")
        told.append(standing())
        return lambda _session: told.append(standing())

    with ThreadPoolExecutor(1, initializer=os.nice, initargs=(POLITENESS,)) as background:
        save = in_background(background, task)({}, lambda share, text: None)
        save(None)
    assert told == [before + POLITENESS, before]


def test_a_lost_lease_and_a_refusal_come_back_from_the_background() -> None:
    def lost(share: float, text: str) -> None:
        raise LeaseLost

    def task(payload: Mapping[str, Any], progress: Progress) -> Save:
        progress(0.5, "computing")
        raise AssertionError("went on")

    with ThreadPoolExecutor(1) as background, pytest.raises(LeaseLost):
        in_background(background, task)({}, lost)
