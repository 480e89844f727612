"""Marks and standing as tables to take elsewhere: CSV and XLSX. No name can be reached from here; a caller adds them.

``fairhearing panel`` reads what is written here. Text that a spreadsheet would take for a formula stays text.
"""

from collections.abc import Mapping
from typing import Any

from sqlmodel import Session

from app.domain.panel import ALL_PIECES
from app.files.marks_table import Value, write_csv, write_xlsx
from app.services import standing
from app.services.standing import RoundMarks


def marks_csv(session: Session, round_id: str, names: Mapping[str, str] | None = None) -> bytes:
    """Every mark of a round: candidate, adjudicator, caption, mark, position heard; an empty mark is a recusal.

    ``names`` ({candidate id: name}) adds a column, once the round is opened.
    """
    return write_csv(_mark_rows(standing.round_marks(session, round_id), names))


def workbook(session: Session, round_id: str, shown: Mapping[str, Any], names: Mapping[str, str] | None) -> bytes:
    """A workbook with the marks, the standing and the adjudicators' reports as ``shown`` to the leader."""
    return write_xlsx(
        {
            "Marks": _mark_rows(standing.round_marks(session, round_id), names),
            "Standing": _standing_rows(shown, names),
            "Adjudicators": _report_rows(shown),
        }
    )


def _mark_rows(marks: RoundMarks, names: Mapping[str, str] | None) -> list[list[Value]]:
    several = marks.table.piece_ids != (ALL_PIECES,) and len(marks.table.piece_ids) > 1
    given = {(m.candidate_id, m.adjudicator_id, m.piece_id, m.caption): m.mark for m in marks.table.marks}
    rows: list[list[Value]] = [
        [
            "candidate", "adjudicator", *(["piece"] if several else []), "caption", "mark", "position",
            *(["name"] if names is not None else []),
        ]
    ]  # fmt: skip
    for candidate in marks.table.candidates:
        for adjudicator in marks.table.adjudicators:
            pair = (adjudicator.adjudicator_id, candidate.candidate_id)
            where = marks.table.hearing_positions.get(pair, candidate.playing_order)
            for piece_id in marks.table.piece_ids:
                for caption in marks.rubric.captions:
                    mark = given.get((candidate.candidate_id, adjudicator.adjudicator_id, piece_id, caption.key))
                    if mark is None and pair not in marks.table.recusals:
                        continue  # still to come; an empty cell would read as a recusal
                    rows.append(
                        [
                            candidate.blind_number,
                            adjudicator.letter,
                            *([marks.piece_titles[piece_id]] if several else []),
                            caption.name,
                            None if mark is None else int(mark),
                            where,
                            *([] if names is None else [names.get(candidate.candidate_id, "")]),
                        ]
                    )
    return rows


def _standing_rows(shown: Mapping[str, Any], names: Mapping[str, str] | None) -> list[list[Value]]:
    captions: Mapping[str, str] = shown["caption_names"]
    rows: list[list[Value]] = [
        [
            "place", "number", *(["name"] if names is not None else []), "ranked by", "merged", *captions.values(),
            "may lie from", "may lie to", "chance of a seat", "seat", "why unplaced",
        ]
    ]  # fmt: skip
    for row in shown["rows"]:
        seat = row["seat"] if row["alternate"] is None else f"alternate {row['alternate']}"
        rows.append(
            [
                row["place"],
                row["blind_number"],
                *([] if names is None else [names.get(row["candidate_id"], "")]),
                row["total"],
                row["mark"],
                *(row["captions"].get(key) for key in captions),
                row["place_low"],
                row["place_high"],
                row["chance_of_seat"],
                None if seat == "none" else seat,
                row["why_unplaced"],
            ]
        )
    return rows


#: Key of an adjudicator's report and what its column is called.
_FIGURES = {
    "marks_given": "marks given",
    "severity": "severity (marks below the panel's level)",
    "spread": "spread",
    "lowest": "lowest mark",
    "highest": "highest mark",
    "order_effect": "change per ten heard",
    "halo": "halo",
    "agreement_with_rest": "agreement with the others",
    "agreement_with_measured": "agreement with the measured marks",
    "consistency": "own consistency (error of one mark)",
}


def _report_rows(shown: Mapping[str, Any]) -> list[list[Value]]:
    rows: list[list[Value]] = [["adjudicator", *_FIGURES.values(), "in words"]]
    for report in shown["adjudicators"]:
        rows.append([report["letter"], *(report[key] for key in _FIGURES), " ".join(report["sentences"])])
    return rows
