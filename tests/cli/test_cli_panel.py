"""``fairhearing panel`` from a table to JSON, text, picture and workbook; bad input ends with exit code 2."""

import json

import pytest

from app.cli.main import main
from app.files.marks_table import read_marks

# Shrout & Fleiss 1979, Psychological Bulletin 86:420, table 2.
SHROUT_FLEISS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def table(rows, caption="tone"):
    lines = [
        f"{i + 1},J{j + 1},{caption},{'' if v is None else v}" for i, row in enumerate(rows) for j, v in enumerate(row)
    ]
    return "candidate,adjudicator,caption,mark\n" + "\n".join(lines) + "\n"


@pytest.fixture
def run(tmp_path, capsys):
    """Runs the command on a table's text; gives (exit code, standard output, standard error)."""

    def call(text, *words):
        path = tmp_path / "marks.csv"
        path.write_text(text, encoding="utf-8")
        code = main(["panel", str(path), *words])
        done = capsys.readouterr()
        return code, done.out, done.err

    return call


def test_the_published_table(run):
    code, out, err = run(table(SHROUT_FLEISS))
    found = json.loads(out)
    assert (code, err) == (0, "")
    assert {k: round(v, 4) for k, v in found["icc"].items()} == {
        "1,1": 0.1657, "A,1": 0.2898, "C,1": 0.7148, "1,k": 0.4428, "A,k": 0.6201, "C,k": 0.9093,
    }  # fmt: skip
    assert found["cronbach_alpha"] == pytest.approx(0.9093, abs=5e-5)
    assert [(row["candidate"], row["place"], row["total"]) for row in found["standing"]] == [
        ("5", 1, 7.5), ("3", 2, 6.5), ("1", 3, 6.0), ("6", 4, 4.75), ("4", 5, 4.0), ("2", 6, 3.0),
    ]  # fmt: skip
    assert all(row["place_low"] <= row["place"] <= row["place_high"] for row in found["standing"])
    assert found["severity"] == pytest.approx({"J1": -2.375, "J2": 2.7916667, "J3": 0.9583333, "J4": -1.375})
    assert set(found) >= {"icc", "icc_ci", "kendall_w", "krippendorff_alpha_interval", "severity", "standing", "why"}
    assert found["why"] == {}


def test_a_recused_cell_is_null_with_a_reason_where_it_matters(run):
    rows = [*SHROUT_FLEISS, [5, None, 4, 6]]
    code, out, _ = run(table(rows), "--json", "-")
    found = json.loads(out)
    assert code == 0
    assert all(value is None for value in found["icc"].values())
    assert "1 cell is missing" in found["why"]["icc.A,1"]
    assert found["kendall_w"] is None
    assert found["krippendorff_alpha_interval"] is not None
    assert found["standing"][3]["candidate"] == "7"
    assert found["standing"][3]["total"] == 5.0
    assert found["complete_only"]["icc"]["A,1"] == pytest.approx(0.2898, abs=5e-5)


def test_additive_model_of_montgomerys_table(run):
    blocks = [[90.3, 92.5, 85.5, 82.5], [89.2, 89.5, 90.8, 89.5], [98.2, 90.6, 89.6, 85.6], [93.9, None, 86.2, 87.4],
              [87.4, 87.0, 88.0, 78.9], [97.9, 95.8, 93.4, 90.7]]  # fmt: skip
    _, out, _ = run(table(blocks), "--rule", "severity-adjusted")
    totals = {row["candidate"]: row["total"] for row in json.loads(out)["standing"]}
    assert totals["4"] == pytest.approx(89.645, abs=5e-4)


def test_several_captions_count_equally_and_have_their_own_figures(run):
    text = table(SHROUT_FLEISS) + table([[5, 6, 7, 8]] * 6, "pitch").split("\n", 1)[1]
    _, out, _ = run(text)
    found = json.loads(out)
    assert found["standing"][0]["total"] == pytest.approx((7.5 + 6.5) / 2)
    assert found["standing"][0]["captions"] == {"tone": 7.5, "pitch": 6.5}
    assert found["captions"]["tone"]["icc"]["C,1"] == pytest.approx(0.7148, abs=5e-5)
    assert found["captions"]["pitch"]["icc"]["C,1"] is None  # nobody tells the candidates apart there
    assert "do not separate the candidates" in found["captions"]["pitch"]["why"]["icc.C,1"]


def test_files_text_picture_and_workbook(run, tmp_path):
    code, out, _ = run(
        table(SHROUT_FLEISS), "--seats", "3", "--json", str(tmp_path / "o.json"), "--plot", str(tmp_path / "o.png"),
        "--write", str(tmp_path / "o.xlsx"),
    )  # fmt: skip
    assert code == 0
    assert json.loads((tmp_path / "o.json").read_text())["seats"] == 3
    assert out.splitlines()[0].split() == ["place", "candidate", "total", "may", "lie", "chance", "of", "a", "seat"]
    assert out.splitlines()[1].split() == ["1", "5", "7.50", "1-1", "certain"]
    assert (tmp_path / "o.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    again = read_marks((tmp_path / "o.xlsx").read_bytes())
    assert len(again.marks) == 24
    code, out, _ = run(table(SHROUT_FLEISS), "--write", str(tmp_path / "o.csv"))
    assert (tmp_path / "o.csv").read_text(encoding="utf-8-sig").startswith("place,candidate,total,tone,place_low")


def test_the_workbook_it_wrote_is_read_again(run, tmp_path, capsys):
    run(table(SHROUT_FLEISS), "--write", str(tmp_path / "o.xlsx"))
    assert main(["panel", str(tmp_path / "o.xlsx")]) == 0
    assert json.loads(capsys.readouterr().out)["icc"]["A,1"] == pytest.approx(0.2898, abs=5e-5)


def test_the_picture_of_a_panel_that_cannot_be_compared(run, tmp_path):
    code, _, _ = run(
        table([[7], [5]]), "--plot", str(tmp_path / "one.png"), "--seats", "1", "--json", str(tmp_path / "o")
    )
    assert code == 0
    assert (tmp_path / "one.png").stat().st_size > 1000


def test_a_whole_rule_from_a_file_and_ties_from_the_line(run, tmp_path):
    rule = tmp_path / "rule.json"
    rule.write_text(json.dumps({"combine": "rank-sum", "tie_chain": ["head-to-head"], "minimum_total": 3}))
    places = [[1, 2, 3, 4, 5], [2, 3, 1, 5, 4], [3, 1, 2, 1, 1], [4, 4, 4, 2, 2], [5, 5, 5, 3, 3]]
    text = table([[6 - p for p in row] for row in places])
    _, tied, _ = run(text, "--rule", "rank-sum")
    _, from_file, _ = run(text, "--rule", str(rule))
    _, from_line, _ = run(text, "--rule", "rank-sum", "--ties", "head-to-head")
    place = lambda out: {row["candidate"]: row["place"] for row in json.loads(out)["standing"]}  # noqa: E731
    assert place(tied)["1"] == place(tied)["2"]
    assert place(from_file)["2"] == place(from_file)["1"] + 1
    assert place(from_line) == place(from_file)


@pytest.mark.parametrize(
    ("rows", "nulls"),
    [
        ([[7], [5], [9]], "agreement needs two adjudicators or more"),
        ([[7, 6, 5]], "agreement needs two candidates or more"),
        ([[6, 6], [6, 6]], "all marks are equal"),
    ],
    ids=["one adjudicator", "one candidate", "all equal"],
)
def test_what_is_not_valid_is_null_with_its_reason(run, rows, nulls):
    code, out, _ = run(table(rows))
    found = json.loads(out)
    assert code == 0
    assert "NaN" not in out
    for key in ("kendall_w", "krippendorff_alpha_interval", "cronbach_alpha"):
        assert found[key] is None
        assert nulls in found["why"][key]
    assert all(found["icc"][form] is None and nulls in found["why"][f"icc.{form}"] for form in found["icc"])


def test_everyone_recused_from_someone_is_said(run):
    code, out, _ = run(table([[7, 6], [None, None], [5, 4]]))
    found = json.loads(out)
    assert code == 0
    assert found["standing"][-1]["candidate"] == "2"
    assert found["standing"][-1]["place"] is None
    assert "every adjudicator is recused" in found["standing"][-1]["why_unplaced"]


def test_a_caption_nobody_scored_is_said(run):
    code, out, _ = run(table([[7, 6], [5, 4]]) + "1,J1,pitch,\n1,J2,pitch,\n2,J1,pitch,\n2,J2,pitch,\n")
    assert code == 0
    assert "Nobody scored pitch; it is left out of every total." in json.loads(out)["sentences"]


@pytest.mark.parametrize(
    ("text", "words", "said"),
    [
        (table([[7, None], [5, None], [None, 8], [None, 6]]), ["--rule", "severity-adjusted"], "panel disconnected"),
        (table([[7, 11], [5, 6]]), ["--scale", "1-10"], "off the scale; it runs from 1 to 10"),
        (table([[7, 6], [5, 4]]) + "1,J1,tone,9\n", [], "Line 6 repeats line 2"),
        (table([[7, 6], [5, 4]]), ["--rule", "best"], "neither a rule nor a JSON file"),
        (table([[7, 6], [5, 4]]), ["--rule", "trimmed-mean"], "needs 5 adjudicators or more"),
        (table([[7, 6], [5, 4]]), ["--ties", "coin"], "no step of a tie chain"),
        (table([[7, 6], [5, 4]]), ["--scale", "ten"], "is no scale"),
        (table([[7, 6], [5, 4]]), ["--seats", "-1"], "can't be below zero"),
        (table([[7, 6], [5, 4]]), ["--draws", "0"], "--draws must be"),
        (table([[7, 6], [5, 4]]), ["--seed", "-1"], "--seed must be"),
        (table([[7, 6], [5, 4]]), ["--write", "standing.pdf"], "ends in .xlsx or .csv"),
        (table([[7, 6], [5, 4]]), ["--json", "/nowhere/at/all.json"], "can't be written"),
        (table([[None, None]]), [], "no mark in the table yet"),
        ("", [], "is empty"),
        ("candidate,mark\n1,2\n", [], "no column 'adjudicator'"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_two(run, text, words, said):
    code, out, err = run(text, *words)
    assert (code, out) == (2, "")
    assert err.startswith("fairhearing: ")
    assert said in err
    assert err.count("\n") == 1


def test_a_file_that_is_not_there(capsys, tmp_path):
    assert main(["panel", str(tmp_path / "none.csv")]) == 2
    assert "can't be read: No such file" in capsys.readouterr().err


def test_a_rule_file_that_is_no_json(run, tmp_path):
    bad = tmp_path / "rule.json"
    bad.write_text("{mean}")
    code, _, err = run(table([[7, 6], [5, 4]]), "--rule", str(bad))
    assert code == 2
    assert "holds no JSON" in err
