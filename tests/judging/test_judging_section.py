"""What a section has in common: means over players, ranges against a reference, bars counted once per player."""

import numpy as np
import pytest
from scipy import stats

from app.judging.section import bars, doubts, played_take, tendencies


def note(bar, status="played", cents=0.0, doubt=1.0):
    said = {"deviation_cents": cents, "deviation_uncertainty_cents": doubt, "why_no_cents": None}
    return {"bar": bar, "status": status, **said}


def take(player, notes=(), breaks=(), off=(), piece="p", instrument="clarinet-bb"):
    return played_take(player, instrument, piece, findings(notes, breaks, off))


def findings(notes=(), breaks=(), off=()):
    tendency = [{"written_pitch": n, "sounding_midi": m, "median_cents": c, "count": k} for n, m, c, k in off]
    return {"notes": list(notes), "breaks": list(breaks), "pitch": {"tendencies": tendency}}


def test_a_tendency_is_the_mean_over_players_with_students_range():
    each = [8.0, 12.0, 10.0, 15.0, 5.0]
    (one,) = tendencies([take(f"c{i}", off=[("A4", 67, cents, 3)]) for i, cents in enumerate(each)])
    low, high = stats.t.interval(0.95, len(each) - 1, loc=np.mean(each), scale=stats.sem(each))
    assert (one.players, one.notes) == (5, 15)
    assert one.mean_cents == pytest.approx(10.0)
    assert (one.low_cents, one.high_cents) == pytest.approx((low, high))
    assert one.is_sure


def test_two_takes_of_one_player_count_as_one_player_weighted_by_notes():
    takes = [take("a", off=[("A4", 67, 10.0, 1)]), take("a", off=[("A4", 67, 20.0, 3)], piece="q")]
    (one,) = tendencies(takes)
    assert (one.players, one.notes, one.mean_cents) == (1, 4, pytest.approx(17.5))
    assert (one.low_cents, one.why_no_range, one.is_sure) == (None, "one player only", False)


def test_players_who_contradict_each_other_give_nothing_sure():
    (one,) = tendencies([take("a", off=[("A4", 67, 20.0, 9)]), take("b", off=[("A4", 67, -18.0, 9)])])
    assert one.low_cents < 0 < one.high_cents
    assert not one.is_sure


def test_instruments_and_pitches_stay_apart_and_in_order():
    found = tendencies(
        [
            take("a", off=[("B4", 69, 1.0, 1), ("A4", 67, 1.0, 1)]),
            take("b", off=[("A4", 69, 1.0, 1)], instrument="flute"),
        ]
    )
    assert [(one.instrument, one.written_pitch) for one in found] == [
        ("clarinet-bb", "A4"),
        ("clarinet-bb", "B4"),
        ("flute", "A4"),
    ]


def test_a_take_without_notation_counts_from_the_auditions_reference_under_the_pages_name_and_has_no_bars():
    free = {**findings([note("")], off=[("Ab4", 66, 4.0, 2)]), "notated": False}
    alone = played_take("b", "clarinet-bb", "q", free, 8.0)
    (one,) = tendencies([alone, take("a", off=[("G#4", 66, 10.0, 2)])])
    assert (one.written_pitch, one.players, one.mean_cents) == ("G#4", 2, pytest.approx(11.0))
    (by_itself,) = tendencies([alone])
    assert (by_itself.written_pitch, by_itself.mean_cents) == ("Ab4", pytest.approx(12.0))
    assert bars([alone]) == ()


def test_a_player_counts_once_in_a_bar_and_doubtful_pitches_never():
    first = [note("1", "wrong"), note("1", "wrong"), note("1", "omitted"), note("2", cents=25.0, doubt=1.0), note("3")]
    second = [note("1"), note("2", cents=25.0, doubt=6.0), note("3", cents=-40.0)]
    found = bars([take("a", first, [{"from_bar": "3", "kind": "restart"}]), take("b", second)])
    assert [(b.bar, b.players, b.fell, b.wrong, b.omitted, b.breaks, b.out_of_tune) for b in found] == [
        ("1", 2, 1, 1, 1, 0, 0),
        ("2", 2, 1, 0, 0, 0, 1),
        ("3", 2, 2, 0, 0, 1, 1),
    ]


def test_doubt_is_the_mean_spread_and_the_worst_comes_first():
    marks = [("c1", "A", "p", "tone", 5), ("c1", "B", "p", "tone", 9), ("c2", "A", "p", "tone", 6)]
    marks += [("c1", "A", "p", "pitch", 5), ("c1", "B", "p", "pitch", 6), ("c2", "A", "p", "pitch", 4)]
    marks += [("c2", "B", "p", "pitch", 7)]
    found = doubts(marks)
    assert [one.caption for one in found] == ["tone", "pitch"]
    assert (found[0].mean_spread, found[0].widest, found[0].cells) == (pytest.approx(np.std([5, 9], ddof=1)), 4, 1)
    assert found[1].mean_spread == pytest.approx((np.std([5, 6], ddof=1) + np.std([4, 7], ddof=1)) / 2)
    assert doubts([("c", "A", "p", "tone", 5)]) == ()
