"""The certificate of destruction: which recordings are gone, told apart by number, date and hash; no names."""

from dataclasses import dataclass

from app.sheets import palette
from app.sheets.models import Paper
from app.sheets.page import Sheet, text_height
from app.sheets.typography import Span, draw, shortened

LINE_HEIGHT_PT = 54.0  # with the sentence on a file that stays
SIGNATURE_PT = 62.0


@dataclass(frozen=True, slots=True)
class DestroyedLine:
    """One take whose recording is gone. A practice take of the panel has no blind number and no noted size."""

    take_id: str
    round_name: str
    blind_number: str
    piece: str
    received: str
    duration_sec: float
    size_bytes: int | None
    sha256: str
    playback_sha256: str
    note: str
    shared: int  # files that stay because another kept take has the same bytes


@dataclass(frozen=True, slots=True)
class DestroyedDay:
    """A recorder's long file of a whole day that is gone."""

    recording_id: str
    round_name: str
    received: str
    removed: str
    duration_sec: float
    size_bytes: int
    sha256: str
    shared: int


@dataclass(frozen=True, slots=True)
class CertificateModel:
    """Everything on the certificate."""

    audition: str
    organisation: str
    held_on: str
    made: str
    made_by: str
    reason: str
    retention_until: str | None
    one_student: bool
    lines: tuple[DestroyedLine, ...]
    kept: tuple[str, ...]
    audit_hash: str
    certificate_id: str
    cautions: tuple[str, ...]
    paper: Paper
    days: tuple[DestroyedDay, ...] = ()


def render(model: CertificateModel) -> bytes:
    """The certificate as PDF bytes; the same model gives the same bytes."""
    sheet = Sheet(
        paper=model.paper,
        title=f"Certificate of destruction: {model.audition}",
        author=model.organisation or model.audition,
        subject=model.made,
        language="en-US",
        cautions=model.cautions,
        name=f"certificate {model.certificate_id[:12]}",
    )
    sheet.y -= palette.TITLE_PT
    sheet.bookmark("Certificate of destruction", "top")
    draw(sheet.canvas, sheet.left, sheet.y, [Span("Certificate of destruction", "title")], palette.TITLE_PT)
    sheet.y -= 11
    sheet.rule(strong=True)
    sheet.y -= 6
    count = "1 recording" if len(model.lines) == 1 else f"{len(model.lines)} recordings"
    if model.days:
        days = "1 recording of a whole day" if len(model.days) == 1 else f"{len(model.days)} recordings of whole days"
        count = f"{count} and {days}" if model.lines else days
    whose = "of one student " if model.one_student else ""
    opening = (
        f"On {model.made}, {count} {whose}of the audition “{model.audition}”"
        f"{f' ({model.organisation})' if model.organisation else ''}, held on {model.held_on}, "
        f"{'was' if len(model.lines) == 1 else 'were'} destroyed: as received, and as made for playing back."
    )
    sheet.paragraph([Span(opening)])
    sheet.y -= 4
    for name, value in (
        ("Reason", model.reason),
        ("To be kept until", model.retention_until or "no day was set"),
        ("Destroyed by", model.made_by),
        ("Entry in the audit chain", model.audit_hash),
    ):
        sheet.paragraph([Span(f"{name}: ", "text", palette.SOFT), Span(value)])
    sheet.on_new_page = lambda: _running_head(sheet, model)
    sheet.heading("What was destroyed", "destroyed", keep_with=LINE_HEIGHT_PT)
    for line in model.lines:
        _line(sheet, line)
    for day in model.days:
        _day(sheet, day)
    kept = [[Span("–  "), Span(sentence)] for sentence in model.kept]
    height = sum(text_height(spans, palette.BODY_PT, sheet.text_width) for spans in kept)
    sheet.heading("What is kept", "kept", keep_with=height + SIGNATURE_PT)  # nobody signs an empty page
    for spans in kept:
        sheet.paragraph(spans)
    sheet.y -= SIGNATURE_PT - 20
    for words, x0, x1 in (("Section leader", sheet.left, 230), ("Date", sheet.left + 260, 380)):
        sheet.rule(to_write_on=True, x0=x0, x1=sheet.left + x1)
        draw(sheet.canvas, x0, sheet.y - 11, [Span(words, "text", palette.SOFT)], palette.SMALL_PT)
    return sheet.finish()


def _running_head(sheet: Sheet, model: CertificateModel) -> None:
    sheet.y -= palette.SMALL_PT + 4
    text = f"Certificate of destruction · {model.audition} · {model.made}"
    fits = shortened(text, "bold", palette.SMALL_PT, sheet.text_width)
    draw(sheet.canvas, sheet.left, sheet.y, [Span(fits, "bold")], palette.SMALL_PT)
    sheet.y -= 6
    sheet.rule()


def _line(sheet: Sheet, line: DestroyedLine) -> None:
    sheet.ensure(LINE_HEIGHT_PT)
    sheet.y -= 5
    minutes, seconds = divmod(round(line.duration_sec), 60)
    number = f", number {line.blind_number}" if line.blind_number else ""
    head = [Span(f"{line.round_name}{number}: {line.piece}", "bold")]
    if line.note:
        head.append(Span(f"  {line.note}", "text", palette.SOFT))
    sheet.paragraph(head, size=palette.SMALL_PT + 1)
    size = "" if line.size_bytes is None else f" · {line.size_bytes:,} bytes"
    about = f"received {line.received} · {minutes}:{seconds:02d}{size} · take {line.take_id}"
    sheet.paragraph([Span(about, "text", palette.SOFT)], size=palette.SMALL_PT)
    sheet.paragraph([Span("as received  ", "text", palette.SOFT), Span(line.sha256)], size=palette.SMALL_PT)
    sheet.paragraph([Span("for playing  ", "text", palette.SOFT), Span(line.playback_sha256)], size=palette.SMALL_PT)
    if line.shared:
        told = "A file with these bytes stays: another take that is kept has the very same."
        sheet.paragraph([Span(told)], size=palette.SMALL_PT)


def _day(sheet: Sheet, day: DestroyedDay) -> None:
    sheet.ensure(LINE_HEIGHT_PT)
    sheet.y -= 5
    sheet.paragraph([Span(f"{day.round_name}: the recording of the whole day", "bold")], size=palette.SMALL_PT + 1)
    hours, minutes = divmod(round(day.duration_sec / 60), 60)
    about = (
        f"received {day.received} · removed {day.removed} · {hours} h {minutes:02d} min · {day.size_bytes:,} bytes · "
        f"recording {day.recording_id}"
    )
    sheet.paragraph([Span(about, "text", palette.SOFT)], size=palette.SMALL_PT)
    sheet.paragraph([Span("as received  ", "text", palette.SOFT), Span(day.sha256)], size=palette.SMALL_PT)
    if day.shared:
        told = "A file with these bytes stays: another recording that is kept has the very same."
        sheet.paragraph([Span(told)], size=palette.SMALL_PT)
