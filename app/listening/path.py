"""The best reading of a take as a walk through the piece, by a segmental (semi-Markov) search.

Time is cut at candidate boundaries (indices ``0 .. K-1``). A *slot* is the time from one note's onset to the next
onset: first the note sounds, then there may be a gap. The search scores whole slots, so a slot's length is weighed
against what the tempo expects, and leaving a note out is a step of its own with its own price. All scores are
log-likelihood ratios in nats against "nothing of the piece sounds here". Besides slots there are extra notes
(one pitch, belonging nowhere) and a pool outside the piece (before it, after it, and inside a break), from which
the walk may enter at any note for a price.

Pure arithmetic on arrays, compiled; what the numbers mean is decided in ``following``.
"""

import numpy as np
from numba import njit

from app.listening.walk import (
    EXTRA,
    JUMP,
    NEXT,
    OMIT_ONE,
    OMIT_TWO,
    PLAYED,
    START,
    WRONG,
    Course,
    FloatArray,
    Prices,
    Signs,
    Step,
    Walk,
)

LONGEST_SLOT_SEC = 20.0
LONGEST_EXTRA_SEC = 2.0
SHORTEST_SEC = 0.02
ONSET_JITTER_SEC = 0.025  # how far a boundary of the search may lie off
ENOUGH = 1.0  # nats of its pitch that a note earns when it plainly sounds, however short
PROMISE_SEC = 0.07  # entering the piece from outside needs this much of the right pitch ...
PROMISE = 0.4  # ... with at least so many nats
LEAST_AGAIN, MOST_AGAIN = -6.0, 4.0  # nats: what a missing and a plain attack say of a repeated note
MOST_OPEN = 40  # hypotheses kept at one boundary, the best: so that the time grows with the take alone (our choice)
FAR, FARTHEST = 0.005, 1.5  # nats per note, and at most, that a jump costs more the farther it goes (our choice)


def search(
    signs: Signs,
    course: Course,
    *,
    expected_quarter_sec: FloatArray,
    tempo_known: bool,
    tempo_spread: float,
    prices: Prices,
) -> Walk:
    """The best walk.

    ``expected_quarter_sec`` [N]: seconds per quarter expected at each note. With ``tempo_known`` it is taken as it
    is; without, it is only a ratio between places: each hypothesis carries its own running factor on it, which
    begins anywhere within ``tempo_spread`` (standard deviation of its logarithm).
    """
    raw, score, _ = _search(
        signs.time_sec,
        signs.evidence,
        signs.gap,
        signs.outside,
        signs.inside_break,
        signs.onset,
        signs.again,
        course.column,
        course.quarters * expected_quarter_sec,
        course.fixed_sec,
        course.taken_sec,
        course.spread,
        course.slurred,
        course.entry,
        course.pitched,
        course.faint,
        course.first_pitch_column,
        course.pitch_columns,
        tempo_known,
        tempo_spread,
        prices,
    )
    return Walk(tuple(Step(*(int(v) for v in row)) for row in raw[::-1]), float(score))


@njit(cache=True, inline="always")
def _length_score(off, variance, long_cap, short_cap):  # type: ignore[no-untyped-def]
    """Score of a slot whose length is off by a factor of exp(``off``)."""
    score = -0.5 * off * off / variance
    return max(score, -long_cap) if off > 0 else max(score, -short_cap)


@njit(cache=True)
def _onset_score(onset, again, slurred, same):  # type: ignore[no-untyped-def]
    if slurred:  # also to its own pitch: what was played before it may have been wrong
        return min(max(0.3 * onset, -0.3), 0.8)
    if same:
        return min(max(again, LEAST_AGAIN), MOST_AGAIN)
    return min(max(onset, -1.5), 3.0)


@njit(cache=True)
def _search(  # type: ignore[no-untyped-def]
    time,
    evidence,
    gap,
    outside,
    inside_break,
    onset,
    again,
    column,
    base_sec,
    fixed_sec,
    taken_sec,
    spread,
    slurred,
    entry,
    pitched,
    faint_price,
    first_pitch,
    pitches,
    tempo_known,
    tempo_spread,
    prices,
):
    boundaries = len(time)
    notes = len(column)
    ring = 64
    for j in range(0, boundaries, 16):  # room for the longest slot that is looked at
        k = j
        while k < boundaries and time[k] - time[j] <= LONGEST_SLOT_SEC:
            k += 1
        ring = max(ring, k - j + 32)
    ring = min(ring, boundaries + 2)
    # Open hypotheses by (boundary mod ring, layer, note): score and log tempo factor; where from and how.
    worth = np.full((ring, 2, notes, 2), -1e18)
    trail = np.full((ring, 2, notes, 4), -1, np.int32)  # entry, code, steps since the start, end of the slot before
    # Closed hypotheses, in order of time: boundary, note, layer, entry before, code, end of the slot before.
    entry_log = np.empty((1 << 14, 6), np.int32)
    entries = 0
    pool = np.full(boundaries, -1e18)  # outside the piece after a slot has ended
    pool_pace = np.zeros(boundaries)
    pool_trail = np.full((boundaries, 4), -1, np.int32)  # entry, code, steps, boundary where the slot ended
    best_end = -1e18
    end_trail = np.full(3, -1, np.int32)
    # The best and second best single pitch over [j, k).
    one = np.empty(boundaries)
    two = np.empty(boundaries)
    one_col = np.zeros(boundaries, np.int32)
    two_col = np.zeros(boundaries, np.int32)
    log_length = np.zeros(boundaries)
    rivals = np.empty(2 * notes)
    finish = outside[boundaries - 1]

    for j in range(boundaries - 1):
        row = j % ring
        if j > 0 and pool[j - 1] + inside_break[j] - inside_break[j - 1] > pool[j]:
            pool[j] = pool[j - 1] + inside_break[j] - inside_break[j - 1]
            pool_pace[j] = pool_pace[j - 1]
            pool_trail[j] = pool_trail[j - 1]
        before = outside[j] - outside[0]
        if onset[j] > -0.5:  # enter the piece from outside
            near = j + 1
            while near < boundaries - 1 and time[near] - time[j] < PROMISE_SEC:
                near += 1
            last = entry_log[pool_trail[j, 0], 1] if pool_trail[j, 0] >= 0 else -2
            o = _onset_score(onset[j], again[j], False, False)
            something = 0.0
            for c in range(first_pitch, first_pitch + pitches):
                something = max(something, evidence[near, c] - evidence[j, c])
            for n in range(notes):
                # A wrong note may begin a new pass too, where one would begin again.
                wrong_entry = entry[n] and something > PROMISE and onset[j] >= 0.5
                if pitched[n] and not wrong_entry and evidence[near, column[n]] - evidence[j, column[n]] <= PROMISE:
                    continue
                inside = 0.0 if entry[n] else prices.inside_bar
                value = before + o - (0.0 if n == 0 else prices.late_start + min(0.02 * n, 6.0) + inside)
                _put(worth, trail, row, 0, n, value, 0.0, -1, START, 0, j)
                if last >= 0:
                    cost = prices.resume if n == last + 1 else (prices.restart if n <= last else prices.skip) + inside
                    cost += min(abs(n - last) * FAR, FARTHEST)
                    if n == 0:
                        cost = prices.false_start
                    code = pool_trail[j, 1] * 8 + JUMP
                    _put(
                        worth,
                        trail,
                        row,
                        0,
                        n,
                        pool[j] + o - cost,
                        pool_pace[j],
                        pool_trail[j, 0],
                        code,
                        pool_trail[j, 2],
                        pool_trail[j, 3],
                    )
        least = max(pool[j], before)
        for n in range(notes):
            least = max(least, worth[row, 0, n, 0])
        least -= prices.beam
        open_here = 0
        for layer in range(2):
            for n in range(notes):
                if worth[row, layer, n, 0] >= least:
                    rivals[open_here] = worth[row, layer, n, 0]
                    open_here += 1
        if open_here > MOST_OPEN:
            least = np.partition(rivals[:open_here], open_here - MOST_OPEN)[open_here - MOST_OPEN]
        farthest = 0.0
        for n in range(notes):
            if worth[row, 1, n, 0] >= least:
                farthest = max(farthest, LONGEST_EXTRA_SEC)
            if worth[row, 0, n, 0] >= least:
                longest = 4.0 * (base_sec[n] * np.exp(worth[row, 0, n, 1]) + fixed_sec[n]) + 3.0
                farthest = max(farthest, min(longest, LONGEST_SLOT_SEC))
        if farthest <= 0.0:
            continue
        far = j + 1
        while far < boundaries and far - j < ring and time[far] - time[j] <= farthest:
            log_length[far] = np.log(max(time[far] - time[j], 1e-3))
            one[far] = -1e18
            two[far] = -1e18
            for c in range(first_pitch, first_pitch + pitches):
                v = evidence[far, c] - evidence[j, c]
                if v > one[far]:
                    two[far] = one[far]
                    two_col[far] = one_col[far]
                    one[far] = v
                    one_col[far] = c
                elif v > two[far]:
                    two[far] = v
                    two_col[far] = c
            far += 1
        for layer in range(2):
            for n in range(notes):
                here = worth[row, layer, n, 0]
                if here < least:
                    worth[row, layer, n, 0] = -1e18
                    continue
                if entries == len(entry_log):
                    grown = np.empty((2 * entries, 6), np.int32)
                    grown[:entries] = entry_log
                    entry_log = grown
                me = entries
                entries += 1
                entry_log[me, 0] = j
                entry_log[me, 1] = n
                entry_log[me, 2] = layer
                entry_log[me, 3] = trail[row, layer, n, 0]
                entry_log[me, 4] = trail[row, layer, n, 1]
                entry_log[me, 5] = trail[row, layer, n, 3]
                my_pace = worth[row, layer, n, 1]
                my_steps = trail[row, layer, n, 2]
                entered = trail[row, layer, n, 1] % 8
                heard_before = -1 if entered >= JUMP else trail[row, layer, n, 1] // 16
                # What changes when this note sounds the pitch of the one before: its onset was scored as a change.
                attack_again = _onset_score(onset[j], again[j], False, True)
                attack_again -= _onset_score(onset[j], again[j], slurred[n] and entered == NEXT, False)
                worth[row, layer, n, 0] = -1e18
                factor = np.exp(my_pace)
                tempo_part = base_sec[n] * factor
                expected = max(tempo_part - taken_sec[n], 0.4 * tempo_part) + fixed_sec[n]
                after = 0.0
                after_two = 0.0
                if n + 1 < notes:
                    part = base_sec[n + 1] * factor
                    after = max(part - taken_sec[n + 1], 0.4 * part) + fixed_sec[n + 1]
                if n + 2 < notes:
                    after_two = base_sec[n + 2] * factor + fixed_sec[n + 2]
                limit = LONGEST_EXTRA_SEC if layer == EXTRA else min(4.0 * expected + 3.0, LONGEST_SLOT_SEC)
                variance = spread[n] ** 2 + (ONSET_JITTER_SEC / expected) ** 2
                if not tempo_known:
                    variance += tempo_spread**2 / (1.0 + 2.0 * my_steps)
                log_one = np.log(expected)
                log_two = np.log(expected + after)
                log_three = np.log(expected + after + after_two)
                mine = column[n]
                sounding = -1e18
                hopeless = 0
                for k in range(j + 1, far):
                    length = time[k] - time[j]
                    if length > limit:
                        break
                    slot = k % ring
                    if layer == EXTRA:
                        if length < SHORTEST_SEC:
                            continue
                        status, heard, value = WRONG, one_col[k], here + one[k]
                        timed, kept_two, kept_three, cut = 0.0, 0.0, 0.0, 0.0
                        new_pace, new_steps = my_pace, my_steps
                    else:
                        own = evidence[k, mine] - evidence[j, mine]
                        sounding = max(sounding + gap[k] - gap[k - 1], own)
                        if length < SHORTEST_SEC:
                            continue
                        # A note that hardly sounds is rather a note left out.
                        faint = faint_price[n] * min(max(1.0 - sounding / ENOUGH, 0.0), 1.0)
                        status, heard, value = PLAYED, mine, here + sounding - faint
                        if pitched[n]:
                            other, other_col = one[k], one_col[k]
                            if other_col == mine:
                                other, other_col = two[k], two_col[k]
                            other -= prices.wrong
                            # On the pitch of the note before, it needs an attack of its own: else it is that note.
                            if other_col == heard_before:
                                other += attack_again
                            if abs(other_col - mine) == 12 and mine >= first_pitch:
                                other -= prices.octave
                            other -= faint_price[n] * min(max(1.0 - (other + prices.wrong) / ENOUGH, 0.0), 1.0)
                            if other > sounding - faint:
                                status, heard, value = WRONG, other_col, here + other
                        off = log_length[k] - log_one
                        timed = _length_score(off, variance, prices.long_cap, prices.short_cap)
                        kept_two = max(
                            timed - 1.0,
                            _length_score(log_length[k] - log_two, variance, prices.long_cap, prices.short_cap),
                        )
                        kept_three = max(
                            timed - 1.0,
                            _length_score(log_length[k] - log_three, variance, prices.long_cap, prices.short_cap),
                        )
                        # Cut short by an extra note, a break or the end: only too long costs in full.
                        cut = timed if off > 0 else max(0.3 * timed, -2.0)
                        new_pace, new_steps = my_pace, my_steps
                        if not tempo_known and base_sec[n] > 0.0 and fixed_sec[n] == 0.0:
                            if abs(off) < (1.0 if my_steps < 3 else 0.35):
                                trust = expected / (expected + 0.2)
                                new_pace = my_pace + off * trust * max(0.25, 1.0 / (1.3 + my_steps))
                            new_steps = min(my_steps + 1, 100)
                    if value < max(pool[k], outside[k] - outside[0]) - prices.beam:
                        hopeless += 1
                        if hopeless > 12:
                            break
                        continue
                    hopeless = 0
                    code = (heard * 2 + status) * 8
                    if n + 1 < notes:
                        o = _onset_score(onset[k], again[k], slurred[n + 1], column[n + 1] == heard)
                        _put(worth, trail, slot, 0, n + 1, value + timed + o, new_pace, me, code + NEXT, new_steps, k)
                    if n + 2 < notes:
                        o = _onset_score(onset[k], again[k], False, column[n + 2] == heard) - prices.omit
                        _put(
                            worth,
                            trail,
                            slot,
                            0,
                            n + 2,
                            value + kept_two + o,
                            my_pace,
                            me,
                            code + OMIT_ONE,
                            my_steps,
                            k,
                        )
                    if n + 3 < notes:
                        o = (
                            _onset_score(onset[k], again[k], False, column[n + 3] == heard)
                            - prices.omit
                            - prices.omit_more
                        )
                        _put(
                            worth,
                            trail,
                            slot,
                            0,
                            n + 3,
                            value + kept_three + o,
                            my_pace,
                            me,
                            code + OMIT_TWO,
                            my_steps,
                            k,
                        )
                    if onset[k] > -1.0:
                        o = _onset_score(onset[k], again[k], False, False) - prices.extra
                        _put(worth, trail, slot, 1, n, value + cut + o, my_pace, me, code + NEXT, my_steps, k)
                    value += cut
                    if value > pool[k]:
                        pool[k] = value
                        pool_pace[k] = new_pace
                        pool_trail[k, 0] = me
                        pool_trail[k, 1] = code // 8
                        pool_trail[k, 2] = new_steps
                        pool_trail[k, 3] = k
                    value += finish - outside[k] - (0.0 if n == notes - 1 else prices.early_end)
                    if value > best_end:
                        best_end = value
                        end_trail[0] = me
                        end_trail[1] = code // 8
                        end_trail[2] = k

    out = np.empty((entries + 1, 7), np.int32)
    used = 0
    e, code, at = end_trail[0], end_trail[1], end_trail[2]
    while e >= 0:
        out[used, 0] = entry_log[e, 2]
        out[used, 1] = entry_log[e, 1]
        out[used, 2] = entry_log[e, 0]
        out[used, 3] = at
        out[used, 4] = code % 2
        out[used, 5] = code // 2
        out[used, 6] = entry_log[e, 4] % 8
        used += 1
        code = entry_log[e, 4] // 8
        at = entry_log[e, 5]
        e = entry_log[e, 3]
    return out[:used], best_end, entries


@njit(cache=True, inline="always")
def _put(worth, trail, row, layer, n, value, pace, entry, code, steps, at):  # type: ignore[no-untyped-def]
    if value > worth[row, layer, n, 0]:
        worth[row, layer, n, 0] = value
        worth[row, layer, n, 1] = pace
        trail[row, layer, n, 0] = entry
        trail[row, layer, n, 1] = code
        trail[row, layer, n, 2] = steps
        trail[row, layer, n, 3] = at
