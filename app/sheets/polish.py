"""Exercises for a take that called for little: what lay nearest to the edge, past the mark, the plainest phrase.

They only fill a plan up to three things; their words say that nothing was wrong there.
"""

from app.domain.findings import Findings
from app.domain.piece import Piece
from app.material.instruments import is_fixed_pitch
from app.sheets import wording
from app.sheets.drone import drone_tonic
from app.sheets.looks import LOOK_CENTS
from app.sheets.models import Exercise
from app.sheets.tempo_ladder import click, ladder
from app.sheets.wording import AMERICAN, Style

PAST_THE_MARK = 1.08  # our choice: enough to make the mark feel easy
LIGHT = 0.01  # weights below every exercise that a finding calls for


def polish(piece: Piece, findings: Findings, style: Style = AMERICAN) -> tuple[Exercise, ...]:
    """Up to three gentle exercises, in the order they should be taken."""
    if not findings.usable:
        return ()
    made = (_nearest_edge(piece, findings, style), _past_the_mark(piece, findings, style), _plainest_phrase(findings))
    return tuple(exercise for exercise in made if exercise is not None)


def _nearest_edge(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    tendencies = [t for t in findings.pitch.get("tendencies", ()) if t["median_cents"] is not None and t["count"] > 1]
    if not tendencies or is_fixed_pitch(piece.instrument):
        return None
    edge = max(tendencies, key=lambda t: abs(t["median_cents"]))
    if abs(edge["median_cents"]) >= LOOK_CENTS:
        return None
    tonic, _ = drone_tonic(piece)
    name = wording.note_text(edge["written_pitch"], style.bottom_line(piece))
    bars = [n.bar for n in findings.notes if n.written_pitch == edge["written_pitch"]]
    text = (
        f"Nothing lay clearly off; {name} came nearest to it ({wording.signed(edge['median_cents'])} cents). Over a "
        f"quiet drone on your {wording.spoken_class(tonic)} play the scale up to it and down again, one breath to a "
        "note, and listen for the place where it comes to rest."
    )
    title = f"Keep the {wording.pitch_text(edge['written_pitch'])} where it is"
    return Exercise("drone", title, wording.places_text(bars), text, 3 * LIGHT)


def _past_the_mark(piece: Piece, findings: Findings, style: Style) -> Exercise | None:
    if any(n.status != "played" for n in findings.notes):
        return None
    mark = click(piece).mark
    unit = wording.value_name(mark.beat_unit_quarters, style.note_names)
    steps = ladder(mark.beats_per_minute, mark.beats_per_minute * PAST_THE_MARK)
    climb = ", ".join(f"{s:.0f}" for s in steps)
    text = (
        f"All notes were there at the marked tempo. Go a little past it, once at each step: {unit} = {climb}. Then "
        f"once at {mark.beats_per_minute:g}: it should feel roomy."
    )
    first, last = piece.bars[0].number, piece.bars[-1].number
    return Exercise("tempo-ladder", "Make the marked tempo feel easy", wording.span_text(first, last), text, 2 * LIGHT)


def _plainest_phrase(findings: Findings) -> Exercise | None:
    phrases = [p for p in findings.musicianship.get("phrases", ()) if p.get("evenness") is not None]
    if not phrases:
        return None
    plain = min(phrases, key=lambda p: float(p["evenness"]))
    text = (
        "Of your phrases this one had the plainest rise and fall. Sing it once with the shape you want, play it with "
        "that shape made twice as large, then as you would on the day."
    )
    where = wording.span_text(plain["bar_first"], plain["bar_last"])
    return Exercise("phrase-arc", "Say one phrase more clearly", where, text, LIGHT)
