"""How long an answer takes tells the panel nothing about the roster."""

import random
import statistics
import time

import pytest
from api_hall import join, ok
from scipy import stats

STUDENTS = 24
ASKED = 15  # times each number is asked for, in an order of its own: the median is what a patient listener would have


@pytest.mark.slow
def test_the_time_of_an_answer_carries_no_roster_order(leader, browser):
    """Spearman's rank correlation of roster position and median time; chance alone fails once in ten thousand runs."""
    audition = ok(leader.post("/api/auditions", json={"name": "Winter mock", "held_on": "2026-01-24"}))["id"]
    base = f"/api/auditions/{audition}"
    recipe = {"kind": "scale", "tonic": "C", "mode": "major", "octaves": 1, "instrument": "clarinet-bb"}
    ok(leader.post(f"{base}/pieces/generated", json={"recipe": recipe, "title": "Scale"}))
    consent = {"consent_on": "2026-01-02", "consent_by": "a guardian"}
    names = [f"Student {chr(97 + n)}{'a' * n}" for n in range(STUDENTS)]  # a longer name for every later place
    for name in names:
        ok(leader.post(f"{base}/roster", json={"name": name, "instrument": "clarinet-bb", **consent}))
    judge = ok(leader.post(f"{base}/adjudicators", json={"name": "First Ear"}))
    ok(leader.post(f"{base}/rule/declare"))
    round_id = ok(leader.post(f"{base}/rounds", json={"name": "First round", "seats": 4}))["id"]
    ok(leader.post(f"/api/rounds/{round_id}/commit"))
    ok(leader.post(f"/api/rounds/{round_id}/draw"))
    proctor = join(browser, ok(leader.post(f"{base}/proctor-link")))
    panel = join(browser, ok(leader.post(f"/api/adjudicators/{judge['id']}/link")))
    known = {c["candidate_id"]: names.index(c["name"]) for c in ok(proctor.get("/api/room"))["candidates"]}

    times: dict[str, list[float]] = {candidate: [] for candidate in known}
    costs: dict[str, list[float]] = {candidate: [] for candidate in known}  # processor time: others' work adds nothing
    order = random.Random(11)
    for _ in range(ASKED):
        for candidate in order.sample(sorted(known), len(known)):
            began, spent = time.perf_counter(), time.process_time()
            ok(panel.get(f"/api/panel/candidates/{candidate}/sheet"))
            times[candidate].append(time.perf_counter() - began)
            costs[candidate].append(time.process_time() - spent)
    medians = [statistics.median(times[candidate]) for candidate in known]
    found = stats.spearmanr(list(known.values()), medians)
    assert found.pvalue > 1e-4, found
    typical = [statistics.median(costs[candidate]) for candidate in known]
    assert max(typical) < 2 * min(typical), "one number stands out"
