"""The cautions that sheets carry, in one place so that every sheet says the same."""

RESULT = (
    "A mock result and a practice aid: no official score, no prediction. The host organisation's own rules and your "
    "teacher's judgement come first."
)
RECORDINGS = "Recordings need consent, a purpose and a date of deletion; school policy and local law come first."
# NIOSH, occupational: 85 dBA for 8 hours, halved for every 3 dB.
HEARING = (
    "Start drones and clicks quietly; stop when something hurts. 85 dBA is a full day's limit (NIOSH, 8 hours), every "
    "3 dB more halves the time."
)

BACKUPS = (
    "Copies elsewhere are not reached by this: destroy backups and recordings left on devices or cards too. School "
    "policy and local law come first."
)

COMMENT_SHEET = (RESULT, HEARING)
SCORE_SHEET = (RESULT, RECORDINGS)
OWN_PAGE = (
    "This page is yours alone: whoever has its address sees your results. A pain in lips, hands, neck or ears is a "
    "reason to stop and to tell your teacher, never to play through."
)
CONSENT = (
    "Recordings of minors need consent first: a parent or guardian gives it where the student is a minor. School "
    "policy and local law come first."
)
ENOUGH = "Stop when something hurts: a take less is no loss, and pain is a reason to tell your teacher."
HAND_IN_PAGE = (RESULT, CONSENT, ENOUGH)
STUDENT_PAGE = (RESULT, HEARING, OWN_PAGE)
CERTIFICATE = (BACKUPS,)
