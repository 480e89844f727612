"""``fairhearing measure`` as its users call it."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PIL import Image

from app.cli.main import main
from app.material.generating import generate
from app.material.performing import Plan, perform
from app.material.recipe import recipe_from
from app.material.sounding import SAMPLE_RATE_HZ, Room, sound, voice_for

RECIPE = {
    "kind": "scale",
    "tonic": "G",
    "mode": "major",
    "octaves": 2,
    "rhythm": "quarters",
    "tempo_bpm": 100,
    "instrument": "clarinet-bb",
}
NOTE_KEYS = {
    "note_id",
    "bar",
    "beat",
    "written_pitch",
    "sounding_midi",
    "status",
    "onset_sec",
    "offset_sec",
    "heard_midi",
    "deviation_cents",
    "why_no_cents",
    "timing_ms",
    "length_ratio",
    "level_db",
    "grace",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recipe, its MusicXML, and a take of it."""
    from app.files.notation_writing import to_musicxml

    path = tmp_path_factory.mktemp("measure")
    piece = generate(recipe_from(RECIPE))
    (path / "scale.json").write_text(json.dumps(RECIPE))
    (path / "scale.musicxml").write_bytes(to_musicxml(piece))
    rng = np.random.default_rng(3)
    notes = perform(piece, Plan(tuning_cents=6.0), rng)
    samples = sound(notes, voice_for("clarinet-bb"), rng, room=Room())
    soundfile.write(path / "take.wav", samples, SAMPLE_RATE_HZ)
    soundfile.write(path / "take.flac", samples, SAMPLE_RATE_HZ)
    soundfile.write(path / "silent.wav", np.zeros(SAMPLE_RATE_HZ * 3), SAMPLE_RATE_HZ)
    (path / "words.wav").write_text("these are words, not sound\n" * 20)
    (path / "empty.wav").write_bytes(b"")
    (path / "broken.musicxml").write_text("<score-partwise><part></score-partwise>")
    return path


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = main(["measure", *map(str, words)])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_findings_go_to_standard_output(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, folder / "take.wav", "--piece", folder / "scale.json")
    assert (code, err) == (0, "")
    found = json.loads(out)
    assert found["schema_version"] == 1
    assert found["a4_hz_used"] == 440.0
    assert 1200 * np.log2(found["a4_hz_fitted"] / 440) == pytest.approx(6.0, abs=2.0)
    assert found["tempo_bpm_fitted"] == pytest.approx(100.0, rel=0.02)
    assert len(found["notes"]) == 29
    assert set(found["notes"][0]) >= NOTE_KEYS
    assert {n["status"] for n in found["notes"]} == {"played"}
    assert {"extra_notes", "breaks", "pitch", "rhythm", "musicianship", "tone", "marks", "warnings"} <= set(found)
    assert set(found["marks"]["pitch"]) >= {"mark", "low", "high", "measure", "value", "why_null"}


def test_notation_recipe_and_reference_agree(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = folder / "found.json"
    code, out, _ = run(
        capsys, folder / "take.flac", "--piece", folder / "scale.musicxml", "--a4", "fit", "--json", target
    )
    assert (code, out) == (0, "")
    found = json.loads(target.read_text())
    assert found["a4_hz_used"] == found["a4_hz_fitted"]
    assert [n["written_pitch"] for n in found["notes"]][:3] == ["G3", "A3", "B3"]
    assert abs(found["pitch"]["mean_cents"]) < 2.0


def test_several_takes_answer_with_a_list_in_their_order(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, folder / "take.wav", folder / "take.flac", "--piece", folder / "scale.json")
    first, second = json.loads(out)
    assert code == 0
    assert first["duration_sec"] == pytest.approx(second["duration_sec"], abs=0.01)


def test_the_tempo_asked_for_and_the_bars_heard(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, folder / "take.wav", "--piece", folder / "scale.json", "--tempo", 120, "--bars", "1-4")
    found = json.loads(out)
    assert code in (0, 2)
    assert found["tempo_bpm_marked"] == pytest.approx(120.0)
    assert all(n["bar"] in ("1", "2", "3", "4") for n in found["notes"])


def test_a_picture_per_take(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, _ = run(
        capsys,
        folder / "take.wav",
        folder / "take.flac",
        "--piece",
        folder / "scale.json",
        "--plot",
        folder / "picture.png",
        "--json",
        folder / "x.json",
    )
    assert code == 0
    for number in (1, 2):
        with Image.open(folder / f"picture-{number}.png") as picture:
            assert picture.width > 800
            assert len(set(picture.convert("RGB").resize((60, 40)).get_flattened_data())) > 5


def test_a_picture_without_notation_has_no_frame_for_a_tempo(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    alone, paged = folder / "alone.png", folder / "paged.png"
    assert run(capsys, folder / "take.wav", "--plot", alone, "--json", folder / "a.json")[0] == 0
    page = ("--piece", folder / "scale.json")
    assert run(capsys, folder / "take.wav", *page, "--plot", paged, "--json", folder / "p.json")[0] == 0
    with Image.open(alone) as one, Image.open(paged) as other:
        assert one.size[0] == other.size[0]
        assert one.size[1] < 0.85 * other.size[1]


def test_a_take_without_notation(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, folder / "take.wav", "--instrument", "clarinet-bb")
    found = json.loads(out)
    assert code == 0
    assert len(found["notes"]) == 29
    assert found["notes"][0]["written_pitch"] == "G3"
    assert found["rhythm"]["why_null"]
    assert found["marks"] == {}


def test_a_take_of_another_piece_says_so_and_leaves_with_two(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = folder / "other.json"
    other.write_text(json.dumps({**RECIPE, "kind": "arpeggio", "tonic": "Eb", "rhythm": "eighths"}))
    code, out, err = run(capsys, folder / "take.wav", "--piece", other)
    assert code == 2
    assert err.startswith("fairhearing: take.wav: The take ")
    assert err.count("\n") == 1
    found = json.loads(out)
    assert found["usable"] is False
    assert found["notes"] == []


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["nowhere.wav", "--piece", "scale.json"], "There is no file"),
        ([".", "--piece", "scale.json"], "is a folder"),
        (["words.wav", "--piece", "scale.json"], "words.wav: "),
        (["empty.wav", "--piece", "scale.json"], "empty.wav: "),
        (["silent.wav", "--piece", "scale.json"], "silent.wav: "),
        (["take.wav", "--piece", "nothing.musicxml"], "There is no file"),
        (["take.wav", "--piece", "empty.wav"], "the file is empty"),
        (["take.wav", "--piece", "broken.musicxml"], "broken.musicxml: "),
        (["take.wav", "--piece", "scale.json", "--bars", "4-"], "--bars takes a range"),
        (["take.wav", "--piece", "scale.json", "--bars", "40-50"], "There is no bar 40"),
        (["take.wav", "--piece", "scale.json", "--a4", "loud"], "--a4 takes a frequency"),
        (["take.wav", "--piece", "scale.json", "--a4", "300"], "must lie between"),
        (["take.wav", "--piece", "scale.json", "--tempo", "0"], "tempo must lie between"),
        (["take.wav", "--piece", "scale.json", "--plot", "x.gif"], "does not end in .png"),
        (["take.wav", "--piece", "scale.json", "--json", "no/such/folder/x.json"], "can't be written"),
        (["take.wav", "--piece", "scale.json", "--instrument", "kazoo"], "kazoo"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_bad_input_is_one_clear_line_and_two(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: list[str], sentence: str
) -> None:
    monkeypatch.chdir(folder)
    code, out, err = run(capsys, *words)
    assert code == 2
    assert out == ""
    assert err.startswith("fairhearing: ")
    assert err.count("\n") == 1
    assert sentence in err
