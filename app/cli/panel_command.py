"""``fairhearing panel MARKS``: rank a table of marks and say how sure the ranking is.

For leaders who already have marks in a table. Nothing is stored and no account is needed.
"""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from app.domain.errors import BadInput
from app.domain.panel import Caption, Level, MarksTable, Rubric, Rule
from app.domain.standing import Standing
from app.files.marks_table import Value, marks_rows, read_marks, write_csv, write_xlsx
from app.judging.doubt import DRAWS
from app.judging.rule import COMBINE_SENTENCES, validate_rule
from app.judging.standing import make_standing
from app.judging.words import chance_text

SCHEMA_VERSION = 1
MOST_DRAWS = 100_000  # our choice: beyond it nothing gets clearer


def register(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``fairhearing panel``."""
    parser.add_argument(
        "marks", metavar="MARKS", help="CSV or XLSX table: candidate,adjudicator,caption,mark (empty = recused)"
    )
    parser.add_argument(
        "--rule",
        default="mean",
        metavar="RULE",
        help=f"one of {', '.join(COMBINE_SENTENCES)}, or a JSON file with a whole rule (default: mean)",
    )
    parser.add_argument(
        "--ties",
        metavar="STEPS",
        help="tie chain, separated by commas: caption:NAME, head-to-head, re-hearing (default: ties stay)",
    )
    parser.add_argument("--seats", type=int, metavar="N", help="how many seats there are")
    parser.add_argument(
        "--scale", metavar="LOW-HIGH", help="refuse marks off this scale, for example 1-10 (default: any number)"
    )
    parser.add_argument("--json", metavar="FILE", help="write the result as JSON; - or nothing prints it")
    parser.add_argument(
        "--plot", metavar="FILE.png", help="draw places with their intervals and adjudicators' severity"
    )
    parser.add_argument("--write", metavar="FILE", help="write standing and marks as XLSX, or the standing as CSV")
    parser.add_argument(
        "--seed", type=int, default=0, help="seed of the redrawn panels, used with eight adjudicators or more"
    )
    parser.add_argument("--draws", type=int, default=DRAWS, help=f"redrawn panels (default: {DRAWS})")


def run(args: argparse.Namespace) -> int:
    """Rank the table; 0 when done. Raises ``FairhearingError`` on bad input."""
    if not 1 <= args.draws <= MOST_DRAWS:
        raise BadInput(f"--draws must be from 1 to {MOST_DRAWS}.")
    if args.seed < 0:
        raise BadInput("--seed must be 0 or more.")
    path = Path(args.marks)
    table = read_marks(_read(path, "table of marks"), file_name=path.name)
    rule = _rule(args.rule, args.ties)
    standing = make_standing(
        table, rule, rubric=_scale(args.scale, table), seats=args.seats, seed=args.seed, draws=args.draws
    )
    if args.plot:
        from app.cli.panel_plot import draw_panel  # slow to import, and only --plot needs it

        _save(Path(args.plot), draw_panel(standing))
    if args.write:
        _save(Path(args.write), _written(Path(args.write), standing, table))
    text = json.dumps(panel_json(standing, rule), ensure_ascii=False, allow_nan=False, indent=1)
    if args.json in (None, "-"):
        print(text)
    else:
        _save(Path(args.json), (text + "\n").encode("utf-8"))
        print(plain_text(standing), end="")
    return 0


def panel_json(standing: Standing, rule: Rule) -> dict[str, Any]:
    """The result as plain JSON values; what is not valid is null and its reason stands under ``why``."""
    whole = standing.to_dict()
    agreement = whole["agreement"]
    why = dict(agreement["why"])
    for report in standing.adjudicators:
        if "severity" in report.why:
            why["severity"] = report.why["severity"]
    if standing.doubt.why_none:
        why["place_low"] = why["place_high"] = standing.doubt.why_none
    rows = []
    for row in whole["rows"]:
        rows.append({"candidate": row.pop("blind_number"), **{k: v for k, v in row.items() if k not in _INNER}})
    return {
        "schema_version": SCHEMA_VERSION,
        **{key: value for key, value in agreement.items() if key not in ("why", "sentence")},
        "why": why,
        "severity": whole["severity"],
        "severity_meaning": "marks below the panel's level: positive is stricter",
        "standing": rows,
        "total_meaning": standing.total_meaning,
        "seats": standing.seats,
        "empty_seats": standing.empty_seats,
        "brackets": whole["brackets"],
        "hear_again": whole["hear_again"],
        "sentences": whole["sentences"],
        "missing": whole["missing"],
        "captions": whole["caption_agreement"],
        "adjudicator_reports": whole["adjudicators"],
        "doubt": whole["doubt"],
        "rule": rule.to_dict(),
        "rule_sentence": standing.rule_sentence,
        "input_hash": standing.input_hash,
    }


_INNER = frozenset({"candidate_id", "name"})


def standing_rows(standing: Standing) -> list[list[Value]]:
    """The standing as rows with a heading, for a CSV file or a sheet."""
    captions = list(standing.rows[0].captions) if standing.rows else []
    rows: list[list[Value]] = [
        ["place", "candidate", "total", *captions, "place_low", "place_high", "chance_of_seat", "seat", "why_unplaced"]
    ]
    for row in standing.rows:
        rows.append(
            [
                row.place,
                row.blind_number,
                row.total,
                *(row.captions[c] for c in captions),
                row.place_low,
                row.place_high,
                row.chance_of_seat,
                row.seat,
                row.why_unplaced,
            ]
        )
    return rows


def plain_text(standing: Standing) -> str:
    """The standing for a terminal: a small table and the sentences."""
    width = max([len("candidate"), *(len(row.blind_number) for row in standing.rows)])
    lines = [f"{'place':>5}  {'candidate':<{width}}  {'total':>8}  {'may lie':>7}  {'chance of a seat':>16}"]
    for row in standing.rows:
        span = "" if row.place_low is None else f"{row.place_low}-{row.place_high}"
        chance = "" if row.chance_of_seat is None else chance_text(row.chance_of_seat)
        place = "-" if row.place is None else f"{row.place}{'=' if row.tied else ''}"
        total = "-" if row.total is None else f"{row.total:.2f}"
        lines.append(f"{place:>5}  {row.blind_number:<{width}}  {total:>8}  {span:>7}  {chance:>16}".rstrip())
    return "\n".join([*lines, "", *standing.sentences, *standing.missing, ""])


def _rule(text: str, ties: str | None) -> Rule:
    values: Any = {"combine": text}
    if text not in COMBINE_SENTENCES:
        path = Path(text)
        if not path.is_file():
            raise BadInput(f"'{text}' is neither a rule nor a JSON file; use one of {', '.join(COMBINE_SENTENCES)}.")
        try:
            values = json.loads(_read(path, "rule"))
        except ValueError:
            raise BadInput(
                f'{path.name} holds no JSON; a rule looks like {{"combine": "mean", "tie_chain": []}}.'
            ) from None
    if ties is not None and isinstance(values, dict):
        values = {**values, "tie_chain": [step.strip() for step in ties.split(",") if step.strip()]}
    return validate_rule(values)


def _scale(text: str | None, table: MarksTable) -> Rubric | None:
    """A rubric that only knows the scale and the table's captions, or ``None`` without ``--scale``."""
    if text is None:
        return None
    low, dash, high = text.partition("-")
    if not dash or not low.strip().isdigit() or not high.strip().isdigit() or int(low) >= int(high):
        raise BadInput(f"'{text}' is no scale; write it as LOW-HIGH, for example 1-10.")
    levels = (Level(int(low), int(high), ""),)
    return Rubric(int(low), int(high), tuple(Caption(c, c, levels) for c in table.captions))


def _written(path: Path, standing: Standing, table: MarksTable) -> bytes:
    if path.suffix.casefold() == ".xlsx":
        return write_xlsx({"Standing": standing_rows(standing), "Marks": marks_rows(table)})
    if path.suffix.casefold() == ".csv":
        return write_csv(standing_rows(standing))
    raise BadInput("--write needs a file name that ends in .xlsx or .csv.")


def _read(path: Path, what: str) -> bytes:
    try:
        return sys.stdin.buffer.read() if str(path) == "-" else path.read_bytes()
    except OSError as error:
        raise BadInput(f"The {what} {path} can't be read: {error.strerror or error}.") from None


def _save(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise BadInput(f"{path} can't be written: {error.strerror or error}.") from None
