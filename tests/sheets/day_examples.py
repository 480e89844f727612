"""Examples of the day's printed pieces: invented people, long and foreign names, many numbers."""

from app.sheets.day_models import (
    BlankCaption,
    BlankSheetModel,
    DayHeading,
    DoorLine,
    RoomSchedule,
    ScheduleLine,
    ScriptModel,
    Slip,
)

HEADING = DayHeading(
    audition="Spring mock audition", organisation="Tall Pines Band", held_on="14 March 2026", round_name="First round",
    paper="letter",
)  # fmt: skip
NAMES = (
    "Zenobia Quillfeather", "Çağrı Umlautöğlu", "Иван Кларнетов",
    "Bartholomew Featherstonehaugh-Cholmondeley the Younger",
)  # fmt: skip


def clock(at: int) -> str:
    return f"{9 + at * 10 // 60}:{at * 10 % 60:02d}"


SLIPS = tuple(
    Slip(str(10 + 7 * i), "Clarinet in B flat", "Choir room" if i % 2 else "", clock(i), clock(i + 2), clock(i + 3))
    for i in range(11)
)
DOOR = tuple(
    DoorLine(
        plays_at=clock(i), check_in_by=clock(max(0, i - 3)), blind_number=str(10 + 7 * i), name=NAMES[i % len(NAMES)],
        school="Wobblewick Academy of Music and Drama", instrument="Clarinet in B flat", room="Choir room",
        notes="50 % more time; enlarged music" if i % 5 == 0 else "no consent to record noted" if i % 7 == 3 else "",
    )
    for i in range(30)
)  # fmt: skip
ROOMS = tuple(
    RoomSchedule(name, tuple(ScheduleLine(clock(i), clock(i + 1), str(10 + 7 * i), "") for i in range(15)))
    for name in ("Choir room", "Stage")
)
NOTES = ("Check-in closes 30 minutes before your time.", "Meal: 12:00, 40 minutes, after whoever is playing.")
SCRIPT = ScriptModel(
    heading=HEADING,
    sentences=(
        "Welcome. Please do not say your name or your school in this room; your number is all we need.",
        "Take a moment to adjust the stand and your reed or mouthpiece. You may play a few notes to warm up.",
        "Thank you. Please leave the room quietly and do not talk about the music with those who wait.",
    ),
    pieces=(("Scale in D", ""), ("Étude", ""), ("Sight-reading", "Study time: 30 seconds, in silence.")),
    declared=("Everybody may begin each piece again once.", "Who comes late plays at the end of the list."),
)
BLANK = BlankSheetModel(
    heading=HEADING,
    letter="B",
    low=1,
    high=10,
    captions=tuple(
        BlankCaption(
            name, ("1 to 2 rarely under control", "3 to 5 uneven", "6 to 8 mostly sure", "9 to 10 sure throughout")
        )
        for name in ("Tone", "Pitch", "Rhythm", "Musicianship")
    ),
    rows=("Scale in D", "Étude", "Sight-reading"),
    numbers=(("17", ""), ("24", "recused: leave empty"), ("31", ""), ("38", ""), ("45", "")),
)
