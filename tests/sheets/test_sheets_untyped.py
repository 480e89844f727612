"""What sheets and screens say and show of a take without notation: the sound's own figures, never notes or rhythm."""

import re
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from heard_take import INSTRUMENT, SOUNDING, heard_findings
from sheet_examples import comment_sheet, heard_sheet, music
from sheet_reading import text_of

from app.files.engraving import engrave
from app.sheets import comment_sheet as printed
from app.sheets.freezing import freeze, thaw
from app.sheets.models import CommentSheetModel
from app.sheets.note_figures import NoteFigures
from app.sheets.sound_trace import line_count, lines, paper_lines, sound_trace, trace_picture
from app.sheets.untyped_in_words import NOT_JUDGED, caption, heading, heard_figures, untyped_in_words, untyped_practice
from app.sheets.wording import Style

WIDTH = 500.0
NOT_WITHOUT_A_PAGE = re.compile(r"\bbars?\b|\bbeat \d|tempo|pulse|metronome|wrong note|left out|\bearly\b|\blate\b")


def said() -> str:
    return " ".join(f.sentence for f in untyped_in_words(heard_findings(), INSTRUMENT))


def test_what_was_planted_is_said_with_its_doubt_and_its_moments() -> None:
    text = said()
    assert re.search(
        r"A♭ in the second space lay 2[123] cents sharp on the whole, over three notes \(give or take", text
    )
    assert "most clearly at 0:01, 0:03 and 0:06." in text
    assert re.search(r"The same E on the bottom line came back 1[567] cents lower at 0:07 than at 0:04 \(give or", text)
    assert re.search(r"67 % of the 12 notes .* nearest half step at your own tuning, A.=.441\.5", text)
    assert "over two breaths" in text


def test_nothing_is_said_that_needs_a_page() -> None:
    everything = [said(), caption(heard_findings()), heading(heard_findings())]
    everything += [f"{e.title} {e.where}" for e in untyped_practice(heard_findings(), INSTRUMENT)]
    everything += [" ".join(one.sentences) for one in heard_figures(heard_findings(), INSTRUMENT)]
    assert NOT_WITHOUT_A_PAGE.findall(" ".join(everything)) == []
    assert "neither notes nor rhythm" in NOT_JUDGED
    assert "no measured mark" in NOT_JUDGED


def test_the_words_follow_the_audition() -> None:
    british = Style("british")
    assert "nearest semitone" in caption(heard_findings(), british)
    assert "half step" not in " ".join(f.sentence for f in untyped_in_words(heard_findings(), INSTRUMENT, british))


def test_the_plan_names_a_drone_and_a_note_to_find_again() -> None:
    plan = {e.kind: e for e in untyped_practice(heard_findings(), INSTRUMENT)}
    assert plan["drone"].title == "Bring A♭ down"
    assert "your A-flat (concert F-sharp) itself" in plan["drone"].text
    assert "ask your teacher" in plan["drone"].text
    assert (plan["return-note"].title, plan["return-note"].where) == ("Find the same E again", "at 0:04 and 0:07")


def test_a_take_in_tune_calls_for_nothing_and_praises() -> None:
    pitch = {**heard_findings().pitch, "tendencies": [], "return_notes": []}
    pitch["nearest_semitone"] = {**pitch["nearest_semitone"], "share_within_10": 1.0}
    good = replace(heard_findings(), pitch=pitch)
    assert "All 12 notes that could be judged lay within 10 cents" in " ".join(
        f.sentence for f in untyped_in_words(good, INSTRUMENT)
    )
    assert [e.kind for e in untyped_practice(good, INSTRUMENT)] in ([], ["phrase-arc"])


@pytest.mark.parametrize(("low", "high", "value", "word"), [(6, 12, 9, "rose by 9 cents a minute"), (-2, 12, 9, "")])
def test_drift_is_said_beyond_its_doubt(low: float, high: float, value: float, word: str) -> None:
    pitch = {**heard_findings().pitch, "drift_cents_per_min": {"value": value, "low": low, "high": high}}
    text = " ".join(f.sentence for f in untyped_in_words(replace(heard_findings(), pitch=pitch), INSTRUMENT))
    assert word in text if word else "a minute" not in text


def test_too_few_notes_are_said() -> None:
    pitch = {**heard_findings().pitch, "nearest_semitone": {"share_within_10": None}}
    text = " ".join(f.sentence for f in untyped_in_words(replace(heard_findings(), pitch=pitch), INSTRUMENT))
    assert "Pitch could not be judged: too few notes" in text


def test_nothing_usable_gives_no_words_and_no_picture() -> None:
    nothing = replace(heard_findings(), usable=False)
    assert untyped_in_words(nothing, INSTRUMENT) == untyped_practice(nothing, INSTRUMENT) == ()
    assert sound_trace(nothing) is None
    assert sound_trace(replace(heard_findings(), notated=True)) is None


def test_every_note_has_its_figures() -> None:
    figures = heard_figures(heard_findings(), INSTRUMENT)
    assert len(figures) == len(SOUNDING)
    first: NoteFigures = figures[0]
    assert (first.name, first.bar, first.beat) == ("E on the bottom line", "", "at 0:00")
    assert any("sharp, give or take" in sentence for sentence in figures[2].sentences)


def test_the_picture_holds_every_note_once_and_its_trace() -> None:
    trace = sound_trace(heard_findings())
    assert trace is not None
    assert [n.semitone for n in trace.notes] == list(SOUNDING)
    known = [v for v in trace.semitones if v is not None]
    assert len(known) * trace.step_sec == pytest.approx(6.0, abs=0.9)  # twelve notes of half a second
    assert [n.name for n in trace.notes if n.look] == ["A♭", "A♭", "A♭", "E"]
    for narrow in (False, True):
        picture = trace_picture(trace, narrow=narrow)
        assert [n.engraved_id for n in picture.notes] == [n.note_id for n in trace.notes]
        assert len(picture.systems) == (2 if narrow else 1)
        for note in picture.notes:
            top, bottom = picture.systems[note.system]
            assert top < note.y < bottom
            assert 0 < note.left < note.right <= picture.width
        words = " ".join(t for t in ElementTree.fromstring(picture.svg).itertext())
        assert words.count("+2") == 3
        assert "−16" in words
        assert "pitch" in words
        assert "nan" not in picture.svg


def test_lines_cover_the_take_without_a_hole() -> None:
    trace = sound_trace(heard_findings())
    assert trace is not None
    cut = lines(trace, WIDTH, 2.0)
    assert all(a.end == pytest.approx(b.start) for a, b in pairwise(cut))
    assert sum(len(line.begun) for line in cut) == len(trace.notes)
    assert cut[-1].end == pytest.approx(trace.notes[-1].end_sec, abs=0.5)
    assert line_count(trace) == len(paper_lines(trace, WIDTH, 1)) == 1


def a_sheet() -> CommentSheetModel:
    return heard_sheet(comment_sheet(engrave(music())))


def test_the_sheet_prints_picture_words_and_how_to_read_them() -> None:
    pdf = printed.render(a_sheet())
    text = text_of(pdf)
    for words in ("without notation", "own tuning A = 441.", "came back", "+22", "nearest half step", "▼", "0:06"):
        assert words in text
    assert "page 2 of 2" in text


def test_a_long_take_keeps_the_sheet_to_its_pages_and_detail_takes_what_it_needs() -> None:
    sheet = a_sheet()
    trace = sheet.parts[1].trace
    assert trace is not None
    turns = 30
    span = trace.notes[-1].end_sec + 1.0
    notes = tuple(
        replace(n, note_id=f"{n.note_id}-{k}", start_sec=n.start_sec + k * span, end_sec=n.end_sec + k * span)
        for k in range(turns)
        for n in trace.notes
    )
    long = replace(trace, notes=notes, semitones=trace.semitones * turns)
    assert line_count(long) > 8
    kept = replace(sheet, parts=(sheet.parts[0], replace(sheet.parts[1], trace=long)))
    assert "page 2 of 2" in text_of(printed.render(kept))
    assert "page 2 of 2" not in text_of(printed.render(replace(kept, detail=True)))


def test_a_kept_sheet_comes_back_equal() -> None:
    sheet = a_sheet()
    engraving = sheet.parts[0].engraving
    assert engraving is not None
    assert thaw(freeze(sheet), {engraving.digest: engraving}) == sheet
