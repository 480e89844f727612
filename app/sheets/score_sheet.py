"""The score sheet: the ranked result of a round with its doubt, the rule it follows and what it takes to check it."""

from app.sheets import palette
from app.sheets.models import ScoreSheetModel, model_hash
from app.sheets.page import Sheet
from app.sheets.standing_table import StandingTable
from app.sheets.typography import Span, draw, fitted, shortened

MOST_QUESTIONS = 12  # printed; the rest are counted; our choice
SIGNATURE_PT = 150.0
LEAST_SIGNATURE_PT = 105.0  # where that keeps them in one row; our choice
BETWEEN_SIGNATURES_PT = 20.0


def render(model: ScoreSheetModel) -> bytes:
    """The sheet as PDF bytes; the same model gives the same bytes."""
    digest = model_hash(model)
    state = model.opened or "sealed: numbers only"
    sheet = Sheet(
        paper=model.paper,
        landscape=True,
        title=f"Score sheet: {model.audition}, {model.round_name}",
        author=model.organisation or model.audition,
        subject=f"{model.held_on}, {state}",
        language=model.language,
        cautions=model.cautions,
        name=f"{model.round_name} · sheet {digest[:12]}",
    )
    sheet.on_new_page = lambda: _running_head(sheet, model, state)
    _title(sheet, model, state)
    for sentence in model.sentences:
        sheet.paragraph([Span(sentence)], size=palette.BODY_PT)
    StandingTable(sheet, model).draw()
    _how(sheet, model)
    _check(sheet, model)
    _signatures(sheet, model, digest)
    return sheet.finish()


def _title(sheet: Sheet, model: ScoreSheetModel, state: str) -> None:
    sheet.y -= palette.TITLE_PT
    sheet.bookmark("Score sheet", "top")
    used = draw(sheet.canvas, sheet.left, sheet.y, [Span("Score sheet", "title")], palette.TITLE_PT)
    line = " · ".join(t for t in (model.organisation, model.audition, model.held_on) if t)
    text, size = fitted(line, "text", palette.BODY_PT, sheet.text_width - used - 20, 7.0)
    draw(sheet.canvas, sheet.right, sheet.y, [Span(text, "text", palette.SOFT)], size, "right")
    sheet.y -= 11
    sheet.rule(strong=True)
    sheet.y -= 17
    right = draw(sheet.canvas, sheet.right, sheet.y, [Span(state, "text", palette.SOFT)], palette.BODY_PT, "right")
    ranked = sum(1 for line in model.lines if line.place_value is not None)
    counts = f"{ranked} ranked · {len(model.letters)} {'adjudicator' if len(model.letters) == 1 else 'adjudicators'}"
    if model.is_shared:
        counts += " each"
    if model.seats is not None:
        counts += f" · {model.seats} {'seat' if model.seats == 1 else 'seats'}"
    name, size = fitted(model.round_name, "bold", palette.BODY_PT + 1, sheet.text_width - right - 220, 7.0)
    draw(sheet.canvas, sheet.left, sheet.y, [Span(name, "bold"), Span(f"   {counts}", "text", palette.SOFT)], size)
    sheet.y -= 4


def _running_head(sheet: Sheet, model: ScoreSheetModel, state: str) -> None:
    sheet.y -= palette.SMALL_PT + 4
    used = draw(sheet.canvas, sheet.right, sheet.y, [Span(state, "text", palette.SOFT)], palette.SMALL_PT, "right")
    text = f"Score sheet · {model.audition} · {model.round_name}"
    text = shortened(text, "bold", palette.SMALL_PT, sheet.text_width - used - 16)
    draw(sheet.canvas, sheet.left, sheet.y, [Span(text, "bold")], palette.SMALL_PT)
    sheet.y -= 6
    sheet.rule()


def _how(sheet: Sheet, model: ScoreSheetModel) -> None:
    sheet.heading("How this was ranked", "how", keep_with=44)
    sheet.paragraph([Span(model.rule_sentence)])
    if model.agreement_sentence:
        sheet.y -= 3
        sheet.paragraph([Span(model.agreement_sentence)])
    sheet.y -= 2
    for yardstick in model.yardsticks:
        sheet.y -= 2
        sheet.paragraph([Span(yardstick, "text", palette.SOFT)], size=palette.SMALL_PT)
    if model.questions:
        sheet.heading("Worth listening again", "questions", keep_with=30)
        for question in model.questions[:MOST_QUESTIONS]:
            sheet.paragraph([Span("–  "), Span(question)], size=palette.SMALL_PT + 0.6)
        more = len(model.questions) - MOST_QUESTIONS
        if more > 0:
            sheet.paragraph(
                [Span(f"and {more} more, in the standing on screen.", "text", palette.SOFT)], size=palette.SMALL_PT
            )
    if model.missing:
        sheet.heading("Not there", "missing", keep_with=30)
        for sentence in model.missing:
            sheet.paragraph([Span("–  "), Span(sentence)], size=palette.SMALL_PT + 0.6)


def _check(sheet: Sheet, model: ScoreSheetModel) -> None:
    rows = [
        ("commitment shown before the draw", model.seed_commitment),
        ("seed shown after the draw", model.seed),
        ("rule as declared", model.rule_hash),
        ("standing as opened", model.standing_hash),
        ("audit chain up to here", model.audit_hash),
    ]
    rows = [(name, value) for name, value in rows if value]
    if not rows:
        return
    # signatures never stand on a page of their own: what they are given for is in sight
    sheet.heading(
        "To check the draw and the result", "check", keep_with=16.0 + 13 * len(rows) + _signed_height(sheet, model)
    )
    text = (
        "The commitment is the SHA-256 of the seed; the seed gives every number and the playing order again "
        "(the README prints the ten lines of Python that do it)."
    )
    sheet.paragraph([Span(text, "text", palette.SOFT)], size=palette.SMALL_PT)
    for name, value in rows:
        sheet.line((Span(f"{name}: ", "text", palette.SOFT), Span(str(value))), palette.SMALL_PT)


def _per_row(sheet: Sheet, signatures: int) -> tuple[int, float]:
    """How many signatures stand in a row, and how long their lines are."""
    room = sheet.text_width + BETWEEN_SIGNATURES_PT
    for_all = room / max(1, signatures) - BETWEEN_SIGNATURES_PT
    if for_all >= LEAST_SIGNATURE_PT:
        return max(1, signatures), min(SIGNATURE_PT, for_all)
    return max(1, int(room // (SIGNATURE_PT + BETWEEN_SIGNATURES_PT))), SIGNATURE_PT


def _signed_height(sheet: Sheet, model: ScoreSheetModel) -> float:
    count = len(model.signatures)
    return (26.0 + 46.0 * -(-count // _per_row(sheet, count)[0])) if count else 0.0


def _signatures(sheet: Sheet, model: ScoreSheetModel, digest: str) -> None:
    if not model.signatures:
        return
    per_row, width = _per_row(sheet, len(model.signatures))
    sheet.ensure(_signed_height(sheet, model))
    sheet.y -= 8
    text = f"Signed for this sheet, {digest[:12]}, of {model.round_name}:"
    sheet.paragraph([Span(text)], size=palette.SMALL_PT)
    for start in range(0, len(model.signatures), per_row):
        sheet.y -= 36
        for i, name in enumerate(model.signatures[start : start + per_row]):
            x = sheet.left + i * (width + BETWEEN_SIGNATURES_PT)
            sheet.canvas.setStrokeColor(palette.INK)
            sheet.canvas.setLineWidth(0.5)
            sheet.canvas.line(x, sheet.y, x + width, sheet.y)
            draw(sheet.canvas, x, sheet.y - 9, [Span(name, "text", palette.SOFT)], palette.SMALL_PT)
        sheet.y -= 10
