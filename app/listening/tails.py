"""Notes that the search heard in what a room still returned, or in the rest of the note before: they were left out.

The search weighs pitches; a left-out note whose pitch lingers in the room can seem to sound there. Levels tell: such a
"note" lies far under the one before and only dies away, or it is that one's release, without the least rise.
"""

from typing import Literal

import numpy as np

from app.listening.followed import Features

# Our choices, set on rendered takes with left-out notes in three rooms: of 1,963 notes that were played none is taken.
FAR_UNDER_DB = 18.0
FALLS_DB_PER_SEC = 40.0  # a room of 1.5 s falls by so much
LEAST_RISE_DB = 0.5  # of a repeated note out of the one before ...
RELEASE_DB_PER_SEC = 100.0  # ... unless it also dies at once: then it is only the end of that one
BEFORE_SEC, AFTER_SEC = 0.05, 0.08  # the rise is looked for around the onset


def only_lingers(
    features: Features, before: tuple[float, float], here: tuple[float, float], same_pitch: bool
) -> Literal["room", "rest"] | None:
    """Whether a note from ``here[0]`` to ``here[1]`` (s) is only what is left of the note sounding at ``before``.

    ``"room"``: it dies away far under it; ``"rest"``: it is the end of that note (``same_pitch``); None: it sounds.
    """
    level, hop = features.level_db, features.hop_sec
    a, b = (round(t / hop) for t in here)
    c, d = (round(t / hop) for t in before)
    b, d = max(b, a + 4), max(d, c + 3)
    if c < 0 or b > level.size or a < 2:
        return None
    body = float(np.percentile(level[a:b], 90))
    louder = float(np.percentile(level[c:d], 75))
    quarter = max(1, (b - a) // 4)
    falls = float(level[a : a + quarter].mean() - level[b - quarter : b].mean()) / ((b - a - quarter) * hop)
    if louder - body > FAR_UNDER_DB and falls > FALLS_DB_PER_SEC:
        return "room"
    top = float(level[a : min(a + round(AFTER_SEC / hop), b + 1)].max())
    low = float(level[max(0, a - round(BEFORE_SEC / hop)) : a + 2].min())
    return "rest" if same_pitch and top - low < LEAST_RISE_DB and falls > RELEASE_DB_PER_SEC else None
