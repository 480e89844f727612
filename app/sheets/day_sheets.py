"""The door list, the schedule and the proctor's script on paper."""

from collections.abc import Sequence

from app.sheets import cautions, palette
from app.sheets.day_models import DayHeading, DoorLine, RoomSchedule, ScriptModel
from app.sheets.day_table import Column, box, draw_table, open_sheet, table_height
from app.sheets.typography import Span

WALL_ROW_PT = 25.0  # read from an arm's length and more; our choice
DOOR_WARNING = "Names: for the proctor's eyes only"
NAMES_CAUTION = (
    "This list leads from numbers to names. Keep it at the door, show it to nobody who listens or scores, and destroy "
    "it after the day by your school's rules."
)


def render_door_list(heading: DayHeading, lines: Sequence[DoorLine]) -> bytes:
    """The door list as PDF bytes: a box to tick, times, numbers and names; the same input gives the same bytes."""
    sheet = open_sheet("Door list", heading, NAMES_CAUTION, landscape=True, warning=DOOR_WARNING)
    columns = (
        Column("here", 0.5),
        Column("check-in by", 1.0),
        Column("plays at", 0.8, "bold"),
        Column("number", 0.9, "bold", 12.0),
        Column("name", 2.8),
        Column("school", 2.1),
        Column("instrument", 1.5),
        Column("room", 1.3),
        Column("to know", 2.6),
    )
    rows = [
        ("□", d.check_in_by, d.plays_at, d.blind_number, d.name, d.school, d.instrument, d.room, d.notes) for d in lines
    ]
    draw_table(sheet, columns, rows)
    return sheet.finish()


def render_schedule(heading: DayHeading, rooms: Sequence[RoomSchedule], notes: Sequence[str]) -> bytes:
    """The schedule for the wall as PDF bytes: numbers only, room by room."""
    sheet = open_sheet("Schedule", heading, cautions.RESULT, warning="Numbers only")
    for note in notes:
        sheet.paragraph([Span(note)])
    columns = (
        Column("warm up", 1.2, "text", 13.0),
        Column("plays at", 1.2, "bold", 13.0),
        Column("number", 1.6, "bold", 18.0),
        Column("", 2.5, "text", 11.0),
    )
    for at, room in enumerate(rooms):
        # A room's list hangs at its door: it begins a page of its own when it can't stand whole on what is left.
        whole = table_height(len(room.lines), row_pt=WALL_ROW_PT)
        sheet.heading(room.room, f"room-{at}", keep_with=whole if at and whole < sheet.full_room - 40 else 70)
        rows = [(line.warm_up_at, line.plays_at, line.blind_number, line.note) for line in room.lines]
        draw_table(sheet, columns, rows, row_pt=WALL_ROW_PT)
    return sheet.finish()


def render_script(model: ScriptModel) -> bytes:
    """The proctor's script as PDF bytes: word by word, then the material in order."""
    sheet = open_sheet(
        "Proctor's script", model.heading, cautions.RECORDINGS, warning="Word by word, to everybody alike"
    )
    sheet.heading("Read to every candidate", "read")
    for number, sentence in enumerate(model.sentences, start=1):
        sheet.y -= 5
        sheet.paragraph([Span(f"{number}.  ", "bold"), Span(sentence)], size=12.0)
    sheet.heading("Material, in this order", "material")
    for number, (title, before) in enumerate(model.pieces, start=1):
        sheet.y -= 6
        sheet.ensure(34)
        box(sheet, sheet.left, sheet.y - 17, 10, 10)
        sheet.paragraph([Span(f"{number}.  {title}", "bold")], size=12.0, indent=18)
        if before:
            sheet.paragraph([Span(before, "text", palette.SOFT)], indent=18)
    sheet.heading("Declared for this round", "declared")
    for sentence in model.declared:
        sheet.y -= 3
        sheet.paragraph([Span(sentence)], size=10.5)
    return sheet.finish()
