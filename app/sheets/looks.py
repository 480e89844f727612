"""When a figure is worth a look: the thresholds that lanes, sentences and exercises share."""

# A little above the 10 cents at which amateurs tell two intervals apart (Hill & Summers 2007); our choice.
LOOK_CENTS = 12.0
# Far above the 6 ms that can be noticed (Friberg & Sundberg 1995): smaller shifts may be phrasing; our choice.
LOOK_MS = 40.0
# A figure must stand this many standard deviations from nothing; common practice.
SURE = 2.0
HELD_RATIO = 0.92  # below this a held note counts as left early; our choice
RETURN_CENTS = LOOK_CENTS  # between two soundings of one note
