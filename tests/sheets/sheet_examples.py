"""Invented people, music and marks for the sheets' tests."""

import itertools
from dataclasses import replace

from heard_take import INSTRUMENT, heard_findings

from app.domain.engraving import Engraving
from app.sheets import cautions
from app.sheets.models import (
    BreakMark,
    CaptionRow,
    ChordMark,
    CommentSheetModel,
    Exercise,
    Finding,
    HeadMark,
    HeldMark,
    MarksBlock,
    OverallRow,
    PartMarks,
    PartOnSheet,
    PhraseMark,
    RemarkLine,
    ReturnMark,
    ScoreSheetModel,
    StandingLine,
)
from app.sheets.sound_trace import sound_trace
from app.sheets.untyped_in_words import NOT_JUDGED, caption, heading, untyped_in_words

LETTERS = "ABCDEFGHI"
CAPTIONS = ("Tone", "Pitch", "Rhythm", "Musicianship")


def music(bars: int = 12) -> bytes:
    """Bars of four quarter notes going up and down; ids are n1, n2, ..."""
    counter = itertools.count(1)
    names = ["D5", "E5", "F5", "G5"], ["A5", "G5", "F5", "E5"]

    def note(name: str) -> str:
        return (
            f'<note id="n{next(counter)}"><pitch><step>{name[0]}</step><octave>{name[1]}</octave></pitch>'
            "<duration>1</duration><type>quarter</type></note>"
        )

    attributes = (
        "<attributes><divisions>1</divisions><key><fifths>0</fifths></key><time><beats>4</beats>"
        "<beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line></clef></attributes>"
    )
    measures = "".join(
        f'<measure number="{n + 1}">{attributes if n == 0 else ""}{"".join(map(note, names[n % 2]))}</measure>'
        for n in range(bars)
    )
    return (
        '<score-partwise version="3.1"><part-list><score-part id="P1"><part-name>Flute</part-name></score-part>'
        f'</part-list><part id="P1">{measures}</part></score-partwise>'
    ).encode()


def part_marks() -> PartMarks:
    """Twelve bars of four notes: n3 sharp, n6 flat, n9 late, n10 missing, n11 wrong, n13 left early."""
    heads = []
    for n in range(1, 49):
        special: dict[int, HeadMark] = {
            3: HeadMark("n3", "played", cents=24.0, cents_look=True, timing_ms=2.0, level_db=-20.0),
            6: HeadMark("n6", "played", cents=-18.0, cents_look=True, timing_ms=-3.0, level_db=-22.0),
            9: HeadMark("n9", "played", cents=1.0, timing_ms=62.0, timing_look=True, level_db=-21.0),
            10: HeadMark("n10", "omitted"),
            11: HeadMark("n11", "wrong", timing_ms=1.0, level_db=-23.0, heard="F♯"),
        }
        plain = HeadMark(f"n{n}", "played", cents=float(n % 5 - 2), timing_ms=float(n % 7 - 3), level_db=-24.0 + n % 9)
        heads.append(special.get(n, plain))
    return PartMarks(
        heads=tuple(heads),
        held=(HeldMark("n13", "n14", 0.75, "about an eighth short"),),
        returns=(
            ReturnMark("n4", "n17", "G −15 cents", "G −15 cents since bar 1"),
            ReturnMark("n1", "n8", "E +14 cents", "E +14 cents"),
        ),
        chords=(ChordMark("n1", "n3", "D minor: F −32 cents just, −16 equal"),),
        phrases=(PhraseMark("n1", "n16", "n8", "n5"), PhraseMark("n17", "n32", "n20", "n20")),
        breaks=(BreakMark("n15", "back to bar 3"),),
        level_low_db=-24.0,
        level_high_db=-16.0,
    )


def captions(adjudicators: int, *, recused: int | None = None) -> tuple[CaptionRow, ...]:
    return tuple(
        CaptionRow(
            name=name,
            marks=tuple(None if i == recused else 5.0 + (i + k) % 4 for i in range(adjudicators)),
            measured=6.4 if name in ("Pitch", "Rhythm") else None,
            merged=6.0 + k / 2,
            earned=f"{name} that carries across the room and stays even to the ends of notes.",
        )
        for k, name in enumerate(CAPTIONS)
    )


def comment_sheet(engraving: Engraving) -> CommentSheetModel:
    """One student with three adjudicators and two pieces."""
    part = PartOnSheet(
        title="Evening Ferry",
        heading="bars 1 to 12 · quarter = 76",
        engraving=engraving,
        marks=part_marks(),
        findings=(
            Finding("pitch", "F on the top line lay 24 cents sharp in bar 1 (give or take 4 cents).", 2.0),
            Finding("rhythm", "The held A in bar 4 lasted 75 % of its length: about an eighth short.", 1.5),
        ),
        caption="Pitch: above the line sharp, below flat. Time: left early, right late.",
    )
    scale = replace(part, title="D minor scale", heading="bars 1 to 12", short=True, findings=part.findings[:1])
    return CommentSheetModel(
        audition="Autumn mock audition",
        organisation="Tern Valley Honour Winds",
        held_on="21 November 2026",
        round_name="First round",
        blind_number="27",
        student="Mira Okonjo-Lind",
        instrument="clarinet in B♭",
        letters=tuple("ABC"),
        blocks=(
            MarksBlock("Evening Ferry (70 %)", captions(3, recused=1)),
            MarksBlock("D minor scale (30 %)", captions(3)),
        ),
        overall=tuple(OverallRow(c.name, c.merged, c.earned) for c in captions(3)),
        merged_total=6.75,
        scale_low=1,
        scale_high=10,
        notes=("B did not score you (recused): a missing mark is left out, it never counts as zero.",),
        remarks=(
            RemarkLine("A", "Let the long notes grow.", "Evening Ferry", "4"),
            RemarkLine("C", "Breathe with the phrase.", "Evening Ferry", None),
        ),
        parts=(part, scale),
        practice=(
            Exercise(
                "subdivision", "Give long notes their full length", "bar 4", "Metronome on 152.", 2.0, "Evening Ferry"
            ),
            Exercise("drone", "Bring F down", "bar 1", "Now, in cents: F on the top line +24.", 1.8, "Evening Ferry"),
            Exercise("ornament", "Land the note after the trill", "bar 3", "Leave it out first.", 1.0, "Evening Ferry"),
        ),
        cautions=cautions.COMMENT_SHEET,
    )


def score_sheet(count: int = 8, adjudicators: int = 4, *, named: bool = True, seats: int | None = 3) -> ScoreSheetModel:
    """So many candidates and adjudicators, one absent; ``named`` with invented names."""
    lines = tuple(
        StandingLine(
            place=str(n + 1),
            blind_number=str(101 + 3 * n),
            name=f"Student Number-{n + 1}" if named else None,
            total=round(9.0 - 6.0 * n / count, 2),
            captions=(8.0, 7.5, 7.0, 6.5),
            adjudicators=tuple(None if (n + j) % 5 == 0 else 7.0 for j in range(adjudicators)),
            place_value=n + 1,
            place_low=max(1, n - 1),
            place_high=min(count, n + 3),
            chance_of_seat=None if seats is None else max(0.0, min(1.0, 1.0 - n / (2 * seats))),
            seated=seats is not None and n < seats,
        )
        for n in range(count)
    )
    absent = StandingLine(
        "—", "999", "Nobody Came" if named else None, None, (None,) * 4, (None,) * adjudicators, note="absent"
    )
    return ScoreSheetModel(
        audition="Autumn mock audition",
        organisation="Tern Valley Honour Winds",
        held_on="21 November 2026",
        round_name="First round",
        opened="opened 21 November 2026, 16:40 UTC" if named else None,
        lines=(*lines, absent),
        caption_names=CAPTIONS,
        letters=tuple(LETTERS[:adjudicators]),
        seats=seats,
        brackets=(tuple(line.blind_number for line in lines[1:4]),) if count >= 4 else (),
        rule_sentence="Ranked by the mean of the adjudicators' marks.",
        agreement_sentence="The panel agrees well on the order of candidates.",
        sentences=("Number 101 leads whatever the panel.",),
        questions=("Number 104, pitch: B gave 9, the recording suggests 5; listen again to bar 3.",),
        missing=("Adjudicator D has not sent a sheet for number 107.",),
        yardsticks=("Measured mark for pitch: 5 cents give 10.",),
        seed="9f" * 32,
        seed_commitment="ab" * 32,
        rule_hash="cd" * 32,
        signatures=(*(f"Adjudicator {a}" for a in LETTERS[:adjudicators]), "Section leader"),
        cautions=cautions.SCORE_SHEET,
    )


def heard_sheet(sheet: CommentSheetModel) -> CommentSheetModel:
    """The sheet with an étude that nobody typed in as its second piece."""
    findings = heard_findings()
    said = (Finding("notes", NOT_JUDGED), *untyped_in_words(findings, INSTRUMENT))
    part = PartOnSheet("Étude 12", heading(findings), None, None, said, caption(findings), trace=sound_trace(findings))
    return replace(sheet, parts=(sheet.parts[0], part))
