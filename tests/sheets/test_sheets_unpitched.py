"""Unpitched percussion from its page and its sound to the sheet: rhythm and loudness in words, nothing else."""

import re
from dataclasses import replace

import numpy as np
import pytest
from sheet_examples import comment_sheet, music
from sheet_reading import text_of

from app.domain.findings import Findings, findings_to_dict
from app.domain.piece import Piece
from app.files.engraving import engrave
from app.files.notation import prepared_musicxml, read_notation
from app.judging.section import bars, played_take
from app.judging.yardsticks import measured_marks
from app.listening.measuring import measure
from app.services import section
from app.sheets import comment_sheet as printed
from app.sheets.findings_in_words import findings_in_words
from app.sheets.models import PartOnSheet
from app.sheets.note_figures import note_figures
from app.sheets.part_marks import part_marks
from app.sheets.practice import practice_plan
from app.sheets.practice_settings import free_settings, practice_settings

RATE_HZ = 22_050
BARS = ([1, 1, 1, 1], [0.5, 0.5, 1, 0.5, 0.5, 1], [1, 0.5, 0.5, 2], [0.25, 0.25, 0.25, 0.25, 1, 1, 1])
TYPES = {0.25: "16th", 0.5: "eighth", 1: "quarter", 2: "half"}
BEAT_SEC = 0.6
LATE, LATE_SEC = 9, 0.07  # the last stroke of bar 2
NEVER = re.compile(r"cents|sharp|flat|held|tongue|breath|drone|[A-G] in bar|speak|wrong")


def page(bars: int = 8) -> bytes:
    """A snare drum's étude at 100 quarters a minute."""

    def note(length: float) -> str:
        return (
            "<note><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched>"
            f"<duration>{int(length * 4)}</duration><type>{TYPES[length]}</type></note>"
        )

    first = (
        "<attributes><divisions>4</divisions><key><fifths>0</fifths></key><time><beats>4</beats><beat-type>4"
        "</beat-type></time><clef><sign>percussion</sign></clef></attributes><direction><direction-type><metronome>"
        "<beat-unit>quarter</beat-unit><per-minute>100</per-minute></metronome></direction-type></direction>"
    )
    measures = "".join(
        f'<measure number="{n + 1}">{first if n == 0 else ""}{"".join(map(note, BARS[n % 4]))}</measure>'
        for n in range(bars)
    )
    return (
        '<score-partwise version="3.1"><part-list><score-part id="P1"><part-name>Snare drum</part-name></score-part>'
        f'</part-list><part id="P1">{measures}</part></score-partwise>'
    ).encode()


@pytest.fixture(scope="module")
def piece() -> Piece:
    return read_notation(page(), file_name="snare.musicxml")


@pytest.fixture(scope="module")
def findings(piece: Piece) -> Findings:
    """Bursts of noise that die away: every one near its place but one, in levels that go up and down."""
    random = np.random.default_rng(3)
    sound = random.normal(0, 3e-4, int((piece.length_sec + 2) * RATE_HZ))
    size = int(0.12 * RATE_HZ)
    for index, note in enumerate(piece.notes):
        at = 0.5 + note.onset_quarters * BEAT_SEC + random.normal(0, 0.004) + (LATE_SEC if index == LATE else 0.0)
        level = 0.2 * 10 ** (random.normal(0, 1.5) / 20)
        burst = random.normal(0, level, size) * np.exp(-np.arange(size) / RATE_HZ / 0.03)
        sound[int(at * RATE_HZ) :][:size] += burst
    return measure(sound.astype(np.float32), RATE_HZ, piece)


def test_rhythm_and_loudness_are_said_and_nothing_else(piece: Piece, findings: Findings) -> None:
    assert findings.usable
    said = findings_in_words(piece, findings)
    text = " ".join(f.sentence for f in said)
    assert {f.family for f in said} == {"notes", "rhythm", "musicianship", "pitch"}
    assert re.search(r"the furthest was (6|7)\d ms late in bar 2", text)
    assert f"All {len(piece.notes)} strokes were there." in text
    assert "Neither pitch nor tone: unpitched percussion is judged by its rhythm and its loudness alone." in text
    assert NEVER.findall(text.replace("pitch nor tone", "")) == []


def test_the_plan_asks_for_nothing_a_drummer_has_not_got(piece: Piece, findings: Findings) -> None:
    plan = practice_plan(piece, findings)
    assert plan
    assert NEVER.findall(" ".join(f"{e.title} {e.text}" for e in plan)) == []
    assert {e.kind for e in plan} <= {"pulse", "phrase-arc", "tempo-ladder"}


def test_only_rhythm_and_musicianship_can_get_a_measured_mark(findings: Findings) -> None:
    marks = measured_marks(findings)
    assert marks["rhythm"].mark is not None
    assert (marks["pitch"].mark, marks["tone"].mark) == (None, None)


def test_the_sheet_draws_time_and_level_and_no_pitch(piece: Piece, findings: Findings) -> None:
    music_of = engrave(prepared_musicxml(page(), None, instrument=piece.instrument))
    part = PartOnSheet("Snare étude", "", music_of, part_marks(piece, findings))
    sheet = replace(comment_sheet(engrave(music())), parts=(part,), practice=())
    text = text_of(printed.render(sheet)).partition("Snare étude")[2]
    assert "time" in text
    assert "level" in text
    assert "pitch" not in text
    left_out = replace(findings, notes=(replace(findings.notes[0], status="omitted"), *findings.notes[1:]))
    part = replace(part, marks=part_marks(piece, left_out))
    text = text_of(printed.render(replace(sheet, parts=(part,)))).partition("Snare étude")[2]
    assert "left out" in text


def test_the_practice_screen_has_clicks_and_no_tones(piece: Piece, findings: Findings) -> None:
    settings = practice_settings(piece, findings)
    assert (settings.pitched, settings.tones, settings.returns) == (False, (), ())
    assert settings.ladder[-1] == settings.mark_bpm == 100.0
    assert not free_settings("snare-drum").pitched
    assert free_settings("clarinet-bb").pitched


def test_a_stroke_on_the_screen_has_time_and_level(piece: Piece, findings: Findings) -> None:
    figures = note_figures(piece, part_marks(piece, findings), findings)
    assert {figure.name for figure in figures} == {"Stroke"}
    assert re.match(r"(6|7)\d ms late\. .*middle level\.", " ".join(figures[LATE].sentences))
    assert NEVER.findall(" ".join(" ".join(figure.sentences) for figure in figures)) == []


def test_the_section_report_counts_strokes_and_has_no_pitch(findings: Findings) -> None:
    left_out = replace(findings, notes=(replace(findings.notes[0], status="omitted"), *findings.notes[1:]))
    payloads = [findings_to_dict(findings), findings_to_dict(left_out)]
    takes = [played_take(str(n), "snare-drum", "p", payload) for n, payload in enumerate(payloads)]
    assert section._why_no_pitch(takes) == "All of it is unpitched percussion: there is no pitch to compare."
    assert section._bars_sentence(bars(takes), strokes=True) == (
        "How many of 2 left a stroke out, or stopped or jumped. Most in bar 1: 1 with strokes left out."
    )
