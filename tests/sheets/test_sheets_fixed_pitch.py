"""Whose player can't move a note is never told to tune: a marimba's bars lie where their maker tuned them."""

import re
from dataclasses import replace

import pytest
from heard_take import heard_findings
from words_examples import findings, held, pair, phrase, piece, tendency

from app.domain.findings import Findings
from app.domain.piece import Piece
from app.judging.section import SectionTendency
from app.material.instruments import INSTRUMENTS, can_be_tuned, is_fixed_pitch
from app.services import section
from app.sheets.findings_in_words import findings_in_words
from app.sheets.practice import practice_plan
from app.sheets.practice_settings import free_settings, heard_settings, practice_settings
from app.sheets.progress import progress_sentences
from app.sheets.section_figures import figures
from app.sheets.untyped_in_words import untyped_in_words, untyped_practice

BARS = ("xylophone", "marimba", "vibraphone", "glockenspiel")  # tuned by their makers: common practice
TO_TUNE = re.compile(
    r"drone|tuner|tune it|in tune|Bring|beating|\byou were\b|breath|tongue|came back|\blay \d+ cents", re.IGNORECASE
)


def played_on(instrument: str) -> Piece:
    return replace(piece(), instrument=instrument, transposition_semitones=0)


def off(whole: Piece) -> Findings:
    """Everything of a take's pitch that a wind player would be told about, and a start that cracked."""
    pitch = {"tendencies": [tendency("F5", 75, 18.0), tendency("A5", 79, 14.0)], "mean_cents": 12.0}
    return findings(
        whole,
        pitch={**pitch, "return_notes": [pair(-16.0)], "share_within_10": 0.3},
        rhythm={"held_notes": [held("n0", "1", 0.7)]},
        tone={"cracked": [{"note_id": "n4", "bar": "2"}]},
        musicianship={"phrases": [phrase(bumps=[{"note_id": "n6", "bar": "2", "db": 6.0}])]},
    )


def everything(whole: Piece, found: Findings) -> str:
    said = [f.sentence for f in findings_in_words(whole, found)]
    return " ".join(said + [f"{e.title} {e.text}" for e in practice_plan(whole, found)])


def test_the_instruments_that_nobody_tunes_are_these() -> None:
    assert {key for key in INSTRUMENTS if is_fixed_pitch(key)} == set(BARS)
    assert can_be_tuned("timpani")
    assert can_be_tuned("an instrument of our own")
    assert not can_be_tuned("snare-drum")


@pytest.mark.parametrize("instrument", BARS)
def test_sheet_and_plan_speak_of_the_instrument_and_never_tell_to_tune(instrument: str) -> None:
    whole = played_on(instrument)
    text = everything(whole, off(whole))
    assert TO_TUNE.findall(text) == []
    assert "On average the instrument lies 12 cents sharp of A = 440 Hz; that is how it was made" in text.replace(
        "\u00a0", " "
    )
    assert "first strike every click" in text  # what the take's rhythm calls for is there as ever
    assert "height of the sticks" in text
    clean = findings(whole, pitch={"tendencies": [tendency("F5", 75, 6.0)]})
    assert TO_TUNE.findall(everything(whole, clean)) == []
    assert "instrument lies" not in everything(whole, clean)


@pytest.mark.parametrize("instrument", ["timpani", "clarinet-bb"])
def test_who_can_tune_is_told_to(instrument: str) -> None:
    whole = played_on(instrument)
    text = everything(whole, off(whole))
    assert "Set a quiet drone on" in text
    assert "cents sharp" in text
    assert practice_settings(whole, off(whole)).pitched
    assert free_settings(instrument).pitched


def test_the_practice_screen_offers_no_drone() -> None:
    whole = played_on("marimba")
    typed = practice_settings(whole, off(whole))
    assert (typed.pitched, typed.tones, typed.returns) == (False, (), ())
    assert typed.ladder
    assert not free_settings("marimba").pitched
    heard = heard_settings(heard_findings(), "marimba")
    assert (heard.pitched, heard.tones, heard.returns) == (False, (), ())


def test_without_notation_the_same_holds() -> None:
    found = heard_findings()
    text = " ".join(f.sentence for f in untyped_in_words(found, "marimba"))
    text += " ".join(f"{e.title} {e.text}" for e in untyped_practice(found, "marimba"))
    assert re.findall(r"drone|tuner|well in tune|nearest|sharp|flat|your pitch", text, re.IGNORECASE) == []
    assert "The instrument itself is tuned to about A = 441.5 Hz." in text.replace("\u00a0", " ")
    assert "drone" in {e.kind for e in untyped_practice(found, "timpani")}


def test_another_instrument_in_another_hall_is_no_progress() -> None:
    whole = played_on("marimba")

    def lines(**options: bool) -> str:
        now, before = [findings(whole)], [off(whole)]
        return " ".join(progress_sentences(now, before, since="the first round", same_pieces=True, **options))

    assert "Distance from the pitch" in lines()
    assert "Distance from the pitch" not in lines(can_be_tuned=False)
    assert "Distance from the pulse" in lines(can_be_tuned=False)


def test_a_section_is_not_told_to_tune_its_marimbas() -> None:
    def line(instrument: str) -> str:
        sure = SectionTendency(instrument, "C5", 72, 14.0, 9.0, 19.0, "", 3, 12)
        return section._advice([sure], [], {}, [])[0]

    assert line("marimba").endswith("14 cents sharp across 3 players: that is the instrument, which nobody can tune.")
    assert line("flute").endswith("tune it to a drone together.")


def test_what_nobody_hears_is_no_advice() -> None:
    """Ten players may be 2 cents off for sure, and no rehearsal would change it."""
    little = SectionTendency("flute", "C5", 72, -2.0, -3.0, -1.0, "", 10, 40)
    assert section._advice([little], [], {}, []) == ("Nothing stands out across the section beyond its doubt.",)
    assert figures(little) == "−2 cents (−3 to −1), 10 players, 40 notes"
