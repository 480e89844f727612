"""Printing from the database: sealed and opened, what goes in, reprints, file names, the record of a print."""

import io
import zipfile
from dataclasses import replace

import pytest
from audition_scene import LEADER
from printing_hall import NAMES, Hall, text_of
from sqlmodel import Session, select

from app.db.database import Database
from app.db.models import AuditEntry, Document, Findings
from app.domain.errors import NotFound, WrongState
from app.domain.findings import findings_to_dict
from app.domain.ids import new_id
from app.services import custody, opening, pieces, printing
from app.services.printed_round import load_round
from app.services.sheet_models import comment_sheet_model, score_sheet_model


@pytest.fixture
def hall(database: Database) -> Hall:
    return Hall(database)


def test_before_opening_only_numbers_are_printed(hall: Hall) -> None:
    printed = printing.print_score_sheet(hall.database, hall.round_id, named=True, actor=LEADER)
    text = text_of(printed.pdf)
    assert "sealed: numbers only" in text
    assert all(number in text for number in hall.blind)
    assert not any(name.split()[0] in text for name in NAMES)
    with pytest.raises(WrongState, match="open the round first"):
        printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER)
    with pytest.raises(WrongState, match="open the round first"):
        printing.print_comment_sheets(hall.database, hall.round_id, actor=LEADER)


def test_after_opening_names_rule_seed_and_hashes_are_printed(hall: Hall) -> None:
    hall.open()
    text = text_of(printing.print_score_sheet(hall.database, hall.round_id, named=True, actor=LEADER).pdf)
    assert all(name in text for name in NAMES)
    with hall.database.read() as session:
        loaded = load_round(session, hall.round_id, with_music=False)
    row = loaded.row
    for wanted in (row.seed, row.seed_commitment, row.standing_hash, loaded.opened_hash, loaded.audition.rule_hash):
        assert wanted is not None
        assert wanted in text
    assert "Étude from paper 70 %" in text
    assert "100 % give 10" in text  # the yardstick of the measured mark that counts
    numbers = text_of(printing.print_score_sheet(hall.database, hall.round_id, named=False, actor=LEADER).pdf)
    assert not any(name in numbers for name in NAMES)


def test_a_score_sheet_agrees_with_the_standing(hall: Hall) -> None:
    hall.open()
    with hall.database.read() as session:
        loaded = load_round(session, hall.round_id, with_music=False)
        shown = opening.shown(session, hall.round_id)
    model = score_sheet_model(loaded, named=True)
    assert [line.blind_number for line in model.lines] == [r["blind_number"] for r in shown["rows"]]
    assert [line.total for line in model.lines] == [r["total"] for r in shown["rows"]]
    first = model.lines[0]
    assert first.adjudicators == (9.0, None, 9.0)  # B is recused: missing, not zero
    assert [line.seated for line in model.lines] == [r["seat"] == "seat" for r in shown["rows"]]


def test_a_comment_sheet_holds_marks_remarks_findings_and_practice(hall: Hall) -> None:
    hall.open()
    with hall.database.read() as session:
        loaded = load_round(session, hall.round_id, with_music=True)
        model = comment_sheet_model(session, loaded, hall.numbers[0])
        other = comment_sheet_model(session, loaded, hall.numbers[1])
    assert model.student == loaded.names[hall.numbers[0]]
    assert model.letters == ("A", "B", "C")
    scale, etude = model.blocks
    assert (scale.title, etude.title) == ("F major scale (30 %)", "Étude from paper (70 %)")
    pitch = next(row for row in scale.rows if row.name == "Pitch")
    assert pitch.marks == (9.0, None, 9.0)
    assert pitch.measured is not None
    # the declared merge: four fifths panel, one fifth measured
    assert pitch.merged == pytest.approx(0.8 * 9 + 0.2 * pitch.measured)
    tone = next(row for row in scale.rows if row.name == "Tone")
    assert (tone.measured, tone.merged) == (None, 9.0)
    assert any("B did not score you" in note for note in model.notes)
    assert [(r.letter, r.bar, r.text) for r in model.remarks] == [("A", "7", f"Said to {hall.blind[0]}.")]
    assert [e.kind for e in model.practice] == ["drone", "tempo-ladder"]
    assert "B♭" in model.parts[0].findings[0].sentence
    assert model.parts[0].short
    assert model.parts[1].why_no_findings is not None
    assert model.parts[1].why_no_findings == "no take was kept."
    assert other.parts[0].why_no_findings == "no take was kept."
    assert other.why_no_practice is not None
    assert model.merged_total == pytest.approx(
        next(r["mark"] for r in loaded.shown["rows"] if r["candidate_id"] == hall.numbers[0])
    )


def test_every_student_gets_one_sheet_with_a_safe_unique_name(hall: Hall) -> None:
    hall.open()
    steps: list[tuple[int, int]] = []
    sheets = printing.print_comment_sheets(
        hall.database, hall.round_id, actor=LEADER, progress=lambda done, total: steps.append((done, total))
    )
    assert steps == [(0, 4), (1, 4), (2, 4), (3, 4), (4, 4)]
    packed = printing.zip_of(sheets)
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        assert len(set(names)) == 4
        assert all("/" not in n and ":" not in n and "?" not in n and n.endswith(".pdf") for n in names)
        assert {n[:-4].split(" ", 1)[1] for n in names} == {"Mira Sund", "Jo Vale", "A-B- C- Ek", "Наталья Ёлкина"}
        for name in names:
            assert text_of(archive.read(name)).startswith("Comment sheet")
    assert printing.zip_of(sheets) == packed


def test_a_reprint_is_the_same_bytes_and_is_recorded_once(hall: Hall) -> None:
    hall.open()
    first = printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER)
    again = printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER)
    assert first == again
    assert first.model_hash[:12] in text_of(first.pdf)
    with hall.database.read() as session:
        kept = session.exec(select(Document)).all()
        entries = session.exec(select(AuditEntry).where(AuditEntry.action == "printed-comment-sheet")).all()
        assert custody.first_break(custody.chain_entries(session, hall.round_id)) is None
    assert [(d.kind, d.candidate_id, d.model_hash) for d in kept] == [
        ("comment-sheet", hall.numbers[0], first.model_hash)
    ]
    assert len(entries) == 2
    assert "Sund" not in repr([e.facts for e in entries])


def test_new_findings_make_another_sheet(hall: Hall) -> None:
    hall.open()
    before = printing.print_comment_sheet(hall.database, hall.numbers[1], actor=LEADER)
    hall.measured(hall.numbers[1], cents=-25.0)
    after = printing.print_comment_sheet(hall.database, hall.numbers[1], actor=LEADER)
    assert before.model_hash != after.model_hash
    assert "Bring B♭ up" in text_of(after.pdf)


def test_a_take_without_use_says_why(hall: Hall) -> None:
    hall.open()

    def spoil(session: Session) -> None:
        found = session.exec(select(Findings)).one()
        row = pieces.get_piece(session, hall.scale)
        spoiled = replace(hall.findings(row, 1.0), usable=False, warnings=("This is a take of another piece.",))
        found.payload = findings_to_dict(spoiled)
        session.add(found)

    hall.database.write(spoil)
    text = text_of(printing.print_comment_sheet(hall.database, hall.numbers[0], actor=LEADER).pdf)
    assert "No measurements: This is a take of another piece." in text


def test_unknown_candidates_and_undrawn_rounds_are_refused(hall: Hall) -> None:
    with pytest.raises(NotFound):
        printing.print_comment_sheet(hall.database, new_id(), actor=LEADER)
    with pytest.raises(NotFound):
        printing.print_score_sheet(hall.database, new_id(), named=False, actor=LEADER)
    fresh = hall.round(name="Final", kind="final")
    with pytest.raises(WrongState, match="before the draw"):
        printing.print_score_sheet(hall.database, fresh, named=False, actor=LEADER)


@pytest.mark.parametrize(
    ("number", "name", "expected"),
    [
        ("27", "Mira Okonjo-Lind", "27 Mira Okonjo-Lind.pdf"),
        ("3", "../../etc/passwd", "3 ..-..-etc-passwd.pdf"),
        ("4", "a\u202egnp.exe", "4 agnp.exe.pdf"),
        ("5", "   ", "5.pdf"),
        ("6", "e\u0301clair", "6 éclair.pdf"),
        ("7", 'x<>:"/\\|?*\x00y', "7 x----------y.pdf"),
    ],
)
def test_file_names_are_safe_in_any_file_system(number: str, name: str, expected: str) -> None:
    assert printing.safe_file_name(number, name) == expected


def test_endless_names_make_file_names_a_file_system_takes() -> None:
    for name in ("x" * 300, "語" * 300, "👩‍🎤" * 100):
        file_name = printing.safe_file_name("12", name)
        assert len(file_name.encode()) <= 250
        assert file_name.startswith("12")
