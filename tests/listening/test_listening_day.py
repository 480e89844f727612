"""A rendered day with known truth: where it is cut, what is talk, which piece, whose, and when nobody can tell."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from rendered_day import RATE_HZ, Day, arpeggio, scale

from app.domain.piece import Piece
from app.listening.coarse import look_over
from app.listening.matching import fits
from app.listening.segmenting import Span, segment
from app.listening.sorting import Fitting, Guess, PlayedCut, Slot, sort_cuts

BOTH = ("scale", "arpeggio")
TARGETS: dict[str, Piece | None] = {"scale": scale("F"), "arpeggio": arpeggio("D")}


def spans_of(day: Day, *, drums: bool = False) -> tuple[Span, ...]:
    samples = day.samples()
    return segment(look_over(lambda start, stop: samples[start:stop], len(samples)), drums=drums)


def cuts_of(day: Day, targets: dict[str, Piece | None] = TARGETS) -> list[PlayedCut]:
    samples = day.samples()
    found = []
    for span in spans_of(day):
        if span.kind == "playing":
            part = samples[round(span.start_sec * RATE_HZ) : round(span.end_sec * RATE_HZ)]
            found.append(PlayedCut(span.start_sec, span.end_sec, fits(part, RATE_HZ, targets)))
    return found


def one(day: Day, number: str, names: tuple[str, ...] = BOTH) -> None:
    day.talk(2.0)
    day.quiet(2.0)
    for name in names:
        day.take(number, name, TARGETS[name])  # type: ignore[arg-type]
        day.quiet(3.0)
    day.quiet(3.0)


def render(play: Callable[[Day], None], seed: int = 5) -> Day:
    day = Day(np.random.default_rng(seed))
    day.quiet(1.5)
    play(day)
    day.quiet(1.5)
    return day


def placed(guesses: tuple[Guess, ...]) -> list[tuple[int | None, int | None]]:
    return [(guess.slot, guess.target) for guess in guesses]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_every_sound_of_a_day_gets_its_own_kind_and_borders(seed):
    def play(day: Day) -> None:
        day.talk(6.0)
        for number in "12":
            day.quiet(2.0)
            day.tuning()
            day.quiet(3.0)
            one(day, number)
            day.applause(3.0)
            day.quiet(2.0)
            day.talk(3.0)

    day = render(play, seed)
    kinds = {"take": "playing", "tuning": "playing", "talk": "talk", "applause": "noise"}
    spans = spans_of(day)
    assert [span.kind for span in spans] == [kinds[event.kind] for event in day.events]
    for span, event in zip(spans, day.events, strict=True):
        assert span.start_sec <= event.start_sec + (0.06 if span.kind == "playing" else 0.7)
        assert span.end_sec >= event.end_sec - 0.25
        assert span.length_sec <= event.end_sec - event.start_sec + 1.8
    assert all(a.end_sec <= b.start_sec + 0.01 for a, b in pairwise(spans))


def test_a_drum_is_playing_where_one_is_to_be_played_and_only_there():
    def play(day: Day) -> None:
        day.talk(4.0)
        day.quiet(3.0)
        day.drum("1", "snare", (1.0, 0.5, 0.5, 1.0, 1.0, 0.25, 0.25, 0.25, 0.25, 1.0, 2.0, 1.0) * 2)
        day.quiet(3.0)
        day.applause(3.0)
        day.quiet(3.0)
        day.drum("2", "slow", (1.5,) * 8, bpm=80.0)
        day.quiet(3.0)
        one(day, "3", ("scale",))

    day = render(play)
    expected = [e for e in day.events if e.kind in ("take", "talk", "applause")]
    spans = spans_of(day, drums=True)
    kinds = {"take": "playing", "talk": "talk", "applause": "noise"}
    assert [span.kind for span in spans] == [kinds[event.kind] for event in expected]
    for span, event in zip(spans, expected, strict=True):
        if event.kind == "take":
            assert event.start_sec - 0.7 <= span.start_sec <= event.start_sec + 0.06
            assert event.end_sec - 0.8 <= span.end_sec <= event.end_sec + 1.1
    # Where nobody is to play one, knocking stays noise.
    assert [span.kind for span in spans_of(day)] == ["talk", "noise", "noise", "noise", "talk", "playing"]


def test_looking_for_drums_changes_nothing_about_a_day_without_any():
    def play(day: Day) -> None:
        one(day, "1")
        day.applause(3.0)
        day.quiet(2.0)
        day.talk(6.0)

    day = render(play)
    assert spans_of(day, drums=True) == spans_of(day)


def test_silence_and_nothing_have_no_stretches():
    quiet = render(lambda day: day.quiet(5.0))
    assert spans_of(quiet) == ()
    assert segment(look_over(lambda start, stop: np.zeros(stop - start, np.float32), 30)) == ()


def test_a_long_recording_is_read_in_blocks_that_join_without_a_seam():
    day = render(lambda day: [one(day, number) for number in "123"])  # several blocks of 30 seconds
    samples, longest = day.samples(), 0

    def read(start: int, stop: int):
        nonlocal longest
        longest = max(longest, stop - start)
        return samples[start:stop]

    coarse = look_over(read, len(samples))
    assert longest <= 31.1 * RATE_HZ
    assert len(samples) > 2 * longest
    later = samples[7 * 110 * 10 :]  # the same sound, other block borders
    moved = look_over(lambda start, stop: later[start:stop], len(later))
    np.testing.assert_allclose(coarse.level_db[10:-5][7:], moved.level_db[10:-5][: len(coarse.level_db) - 22], atol=0.5)


def test_a_false_start_tuning_and_applause_go_to_nobody_else():
    def play(day: Day) -> None:
        one(day, "0")
        day.take("1", "scale", TARGETS["scale"], until=0.6)  # type: ignore[arg-type]
        day.quiet(3.0)
        day.tuning()
        day.quiet(3.0)
        one(day, "1")
        day.applause(3.0)

    found = sort_cuts(cuts_of(render(play)), [Slot(BOTH)] * 2)
    assert placed(found) == [(0, 0), (0, 1), (1, 0), (None, None), (1, 0), (1, 1)]
    assert [guess.repeated for guess in found] == [False, False, True, False, False, False]
    assert {guess.word for guess in found} <= {"sure", "likely"}


def test_who_plays_one_of_two_pieces_shifts_nobody():
    def play(day: Day) -> None:
        one(day, "0")
        one(day, "1", ("scale",))
        one(day, "2")

    assert placed(sort_cuts(cuts_of(render(play)), [Slot(BOTH)] * 3)) == [(0, 0), (0, 1), (1, 0), (2, 0), (2, 1)]


def test_two_instruments_that_changed_places_are_noticed():
    targets = {**TARGETS, "alto": scale("F", "sax-alto")}
    slots = [Slot(("scale",)), Slot(("alto",)), Slot(("scale",))]

    def play(day: Day) -> None:
        for number, name in (("1", "alto"), ("0", "scale"), ("2", "scale")):
            day.talk(2.0)
            day.quiet(2.0)
            day.take(number, name, targets[name])
            day.quiet(5.0)

    found = sort_cuts(cuts_of(render(play), targets), slots)
    assert placed(found) == [(1, 0), (0, 0), (2, 0)]


# What follows needs no sound: cuts with the fits that the rendered ones have.


def cut(at_sec: float, name: str, share: float = 1.0) -> PlayedCut:
    whole = Fitting(share, 1.0, 1.0, round(20 * share))
    return PlayedCut(at_sec, at_sec + 20.0, {key: whole if key == name else Fitting(0.1, 0.1, 0.05, 2) for key in BOTH})


def played(*numbers: int) -> list[PlayedCut]:
    """Both pieces of each candidate, who come every three minutes."""
    return [cut(180.0 * number + 25.0 * at, name) for number in numbers for at, name in enumerate(BOTH)]


def clocked(count: int, off_sec: float = 0.0) -> list[Slot]:
    return [Slot(BOTH, 180.0 * at + off_sec, 60.0) for at in range(count)]


def test_one_who_is_missing_without_a_word_can_not_be_told_by_order_alone():
    found = sort_cuts(played(0, 1, 3), [Slot(BOTH)] * 4)
    assert "sure" not in {guess.word for guess in found}
    assert "can't tell" in {guess.word for guess in found}


def test_the_clock_tells_who_is_missing():
    found = sort_cuts(played(0, 1, 3), clocked(4, off_sec=-20.0))
    assert placed(found) == [(0, 0), (0, 1), (1, 0), (1, 1), (3, 0), (3, 1)]
    assert {guess.word for guess in found} == {"sure"}


def test_one_who_is_marked_as_absent_is_passed_over():
    slots = [Slot(BOTH), Slot(BOTH, expected=False), Slot(BOTH)]
    found = sort_cuts(played(0, 2), slots)
    assert placed(found) == [(0, 0), (0, 1), (2, 0), (2, 1)]
    assert {guess.word for guess in found} == {"sure"}


def test_a_recorder_that_was_started_late_is_told_by_the_clock_and_else_in_doubt():
    late = played(2, 3, 4)
    found = sort_cuts(late, clocked(5))
    assert placed(found) == [(2, 0), (2, 1), (3, 0), (3, 1), (4, 0), (4, 1)]
    assert {guess.word for guess in found} == {"sure"}
    assert {guess.word for guess in sort_cuts(late, [Slot(BOTH)] * 5)} == {"can't tell"}


def test_one_decision_by_hand_settles_the_others():
    late = played(2, 3, 4)
    first = PlayedCut(late[0].start_sec, late[0].end_sec, late[0].fits, only=2)
    found = sort_cuts([first, *late[1:]], [Slot(BOTH)] * 5)
    assert placed(found) == [(2, 0), (2, 1), (3, 0), (3, 1), (4, 0), (4, 1)]
    assert {guess.word for guess in found[1:]} <= {"sure", "likely"}


def test_the_fuller_of_two_tries_counts_and_of_two_whole_ones_the_later():
    tries = [cut(0.0, "scale", 0.4), cut(25.0, "scale"), cut(50.0, "arpeggio")]
    assert [guess.repeated for guess in sort_cuts(tries, [Slot(BOTH)])] == [True, False, False]
    whole = [cut(0.0, "scale"), cut(25.0, "scale"), cut(50.0, "arpeggio")]
    assert [guess.repeated for guess in sort_cuts(whole, [Slot(BOTH)])] == [True, False, False]


def test_what_has_no_notes_to_follow_is_proposed_by_order_and_never_called_sure():
    silent = [PlayedCut(90.0 * at, 90.0 * at + 20.0, {"étude": Fitting(None, 0.0, 0.0, 0)}) for at in range(3)]
    found = sort_cuts(silent, [Slot(("étude",))] * 3)
    assert placed(found) == [(0, 0), (1, 0), (2, 0)]
    assert {guess.word for guess in found} == {"can't tell"}


def test_nothing_played_and_nobody_on_the_sheet():
    assert sort_cuts([], [Slot(BOTH)]) == ()
    assert placed(sort_cuts(played(0), [])) == [(None, None), (None, None)]


def test_shares_of_all_ways_add_up():
    """Weighed together, all ways give every cut to exactly one slot, or to nobody."""
    for found in (sort_cuts(played(0, 1), [Slot(BOTH)] * 3), sort_cuts(played(0, 1), clocked(3))):
        assert all(0.0 < guess.share <= 1.0 for guess in found)
    # Two equal ways, one cut: half each.
    [guess] = sort_cuts([cut(0.0, "scale")], [Slot(("scale",))] * 2)
    assert guess.share == pytest.approx(0.5, abs=0.02)
