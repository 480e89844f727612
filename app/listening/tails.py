"""Notes that the search heard in what a room still returned, or in the rest of the note before: they were left out.

The search weighs pitches; a left-out note whose pitch lingers in the room can seem to sound there. Levels tell: such a
"note" lies far under the one before and only dies away, or it is that one's release, without the least rise. And where
the time of a left-out note passes in silence, the note before on the same pitch can seem to be two, of which the second
begins with nothing and hardly lasts.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from app.listening.followed import Features

# Our choices, set on rendered takes with left-out notes in three rooms: of 1,963 notes that were played none is taken.
FAR_UNDER_DB = 18.0
FALLS_DB_PER_SEC = 40.0  # a room of 1.5 s falls by so much
LEAST_RISE_DB = 0.5  # of a repeated note out of the one before ...
RELEASE_DB_PER_SEC = 100.0  # ... unless it also dies at once: then it is only the end of that one
BEFORE_SEC, AFTER_SEC = 0.05, 0.08  # the rise is looked for around the onset
# A note without a gap before it, without a plain attack, far shorter than its time and with silence after it is a part
# of the note before. On 75 rendered takes (seeds 11 to 41) six notes that were none are so, and none of 3,099 repeated.
NO_GAP_SEC = 0.01
NO_ATTACK = 1.0  # nats that a note is repeated here, the most within ...
ATTACK_BEFORE_SEC, ATTACK_AFTER_SEC = 0.015, 0.025
SHORT_SHARE = 0.45  # of its printed length by the pulse; the silence lasts longer than the sound


def only_lingers(
    features: Features,
    before: tuple[float, float],
    here: tuple[float, float],
    same_pitch: bool,
    *,
    again: NDArray[np.float64],
    expected_sec: float,
    silent_sec: float,
) -> Literal["room", "rest"] | None:
    """Whether a note from ``here[0]`` to ``here[1]`` (s) is only what is left of the note sounding at ``before``.

    ``"room"``: it dies away far under it; ``"rest"``: it is the end of that note (``same_pitch``); None: it sounds.
    ``again`` [T] is the evidence that a note begins on the pitch of the one before (nats), ``expected_sec`` its
    printed length by the pulse, ``silent_sec`` the time from its end to whatever sounds next.
    """
    level, hop = features.level_db, features.hop_sec
    a, b = (round(t / hop) for t in here)
    c, d = (round(t / hop) for t in before)
    b, d = max(b, a + 4), max(d, c + 3)
    if c < 0 or b > level.size or a < 3:
        return None
    body = float(np.percentile(level[a:b], 90))
    louder = float(np.percentile(level[c:d], 75))
    quarter = max(1, (b - a) // 4)
    falls = float(level[a : a + quarter].mean() - level[b - quarter : b].mean()) / ((b - a - quarter) * hop)
    if louder - body > FAR_UNDER_DB and falls > FALLS_DB_PER_SEC:
        return "room"
    sounds_sec = here[1] - here[0]
    short = sounds_sec < SHORT_SHARE * expected_sec and silent_sec > sounds_sec
    if same_pitch and here[0] - before[1] < NO_GAP_SEC and short:
        near = again[a - round(ATTACK_BEFORE_SEC / hop) : a + round(ATTACK_AFTER_SEC / hop)]
        if near.size and float(near.max()) < NO_ATTACK:
            return "rest"
    top = float(level[a : min(a + round(AFTER_SEC / hop), b + 1)].max())
    low = float(level[max(0, a - round(BEFORE_SEC / hop)) : a + 2].min())
    return "rest" if same_pitch and top - low < LEAST_RISE_DB and falls > RELEASE_DB_PER_SEC else None
