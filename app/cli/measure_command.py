"""``fairhearing measure``: takes and a piece in, findings as JSON out."""

import argparse
import json
import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from app.cli.piece_file import read_piece_file
from app.domain.errors import BadAudio, BadInput, FairhearingError
from app.domain.findings import Findings, findings_to_dict
from app.domain.piece import Piece

if TYPE_CHECKING:
    from app.files.audio import Audio
    from app.listening.settings import ListeningSettings


def register(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument("takes", nargs="+", metavar="TAKE", type=Path, help="recordings of one piece")
    parser.add_argument(
        "--piece",
        metavar="PIECE",
        type=Path,
        help="MusicXML, MIDI or ABC file, or a recipe as JSON; without it only the sound itself is measured",
    )
    parser.add_argument("--a4", metavar="HZ", default="440", help="reference in Hz, or 'fit' for the take's own")
    parser.add_argument("--tempo", metavar="BPM", type=float, help="tempo asked for, in the unit of the printed mark")
    parser.add_argument("--temperament", choices=("equal", "just"), default="equal", help="the reading that counts")
    parser.add_argument("--minor-seventh", choices=("16/9", "9/5", "7/4"), default="16/9", help="just minor seventh")
    parser.add_argument(
        "--click", action="store_true", help="played to an audible click at the tempo: rhythm is judged on its grid"
    )
    parser.add_argument("--instrument", metavar="KEY", help="who plays, such as clarinet-bb, when not as in the file")
    parser.add_argument("--part", metavar="PART", help="name or number (from 0) of the part in a file with several")
    parser.add_argument("--bars", metavar="A-B", help="the bars that are played, such as 1-16")
    parser.add_argument("--json", metavar="FILE", default="-", help="where the findings go; - is standard output")
    parser.add_argument("--plot", metavar="FILE.png", type=Path, help="a picture per take")


def run(args: argparse.Namespace) -> int:
    """Measure; 0 with findings, 2 when no take could be measured through the piece (the findings say why)."""
    from app.listening.settings import ListeningSettings

    settings = ListeningSettings(
        a4_hz=_reference(args.a4),
        tempo_bpm=args.tempo,
        temperament=args.temperament,
        minor_seventh=args.minor_seventh,
        click=args.click,
    )
    if args.plot is not None and args.plot.suffix.lower() != ".png":
        raise BadInput(f"The picture must be a PNG file; {args.plot.name} does not end in .png.")
    piece = None
    if args.piece is not None:
        piece = read_piece_file(args.piece, instrument=args.instrument, part=args.part, bars=args.bars)
    found = []
    for number, path in enumerate(args.takes, start=1):
        audio = _decoded(path)
        try:
            findings = _measured(audio, piece, settings, args.instrument)
        except BadAudio as error:
            raise BadAudio(f"{path.name}: {error.sentence}", **error.facts) from error
        if args.plot is not None:
            _draw(audio, findings, piece, _picture_path(args.plot, number, len(args.takes)), path.stem)
        found.append(findings)
    values = [findings_to_dict(f) for f in found]
    _write(values[0] if len(values) == 1 else values, args.json)
    unusable = [(p, f) for p, f in zip(args.takes, found, strict=True) if not f.usable]
    for path, findings in unusable:
        print(f"fairhearing: {path.name}: {findings.warnings[0]}", file=sys.stderr)
    return 2 if len(unusable) == len(found) else 0


def _reference(text: str) -> float | Literal["fit"]:
    if text == "fit":
        return "fit"
    try:
        return float(text)
    except ValueError:
        raise BadInput(f"--a4 takes a frequency such as 442, or 'fit'; {text!r} can't be used.") from None


def _decoded(path: Path) -> "Audio":
    from app.files.audio import decode
    from app.files.checks import check_take

    if not path.exists():
        raise BadInput(f"There is no file {path}; check the name.")
    if path.is_dir():
        raise BadInput(f"{path} is a folder; name a recording.")
    try:
        audio = decode(path)
        quality = check_take(audio)
    except FairhearingError as error:
        raise type(error)(f"{path.name}: {error.sentence}", **error.facts) from error
    if quality.word == "refuse":
        raise BadAudio(f"{path.name}: {quality.sentences[0]}")
    return audio


def _measured(audio: "Audio", piece: Piece | None, settings: "ListeningSettings", instrument: str | None) -> Findings:
    from app.files.checks import check_take
    from app.judging.yardsticks import measured_marks
    from app.listening.measuring import measure
    from app.listening.untyped import measure_untyped
    from app.material.instruments import instrument as look_up

    if piece is None:
        player = look_up(instrument) if instrument is not None else None
        findings = measure_untyped(
            audio.samples,
            audio.sample_rate,
            settings,
            transposition_semitones=player.transposition_semitones if player else 0,
            instrument=player.key if player else "other",
            unpitched=player is not None and player.unpitched,
        )
    else:
        findings = measure(audio.samples, audio.sample_rate, piece, settings)
        marks = {caption: asdict(mark) for caption, mark in measured_marks(findings).items()}
        findings = replace(findings, marks=marks)
    quality = check_take(audio)
    doubts = quality.sentences if quality.word == "look" else ()
    return replace(findings, warnings=(*findings.warnings, *doubts))


def _picture_path(path: Path, number: int, count: int) -> Path:
    return path if count == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")


def _draw(audio: "Audio", findings: Findings, piece: Piece | None, path: Path, title: str) -> None:
    from app.cli.take_picture import draw_take

    try:
        path.write_bytes(draw_take(audio.samples, audio.sample_rate, findings, piece, title=title))
    except OSError as error:
        raise BadInput(f"The picture can't be written to {path} ({error.strerror}).") from error


def _write(values: Any, target: str) -> None:
    text = json.dumps(values, ensure_ascii=False, indent=1, allow_nan=False)
    if target == "-":
        print(text)
        return
    try:
        Path(target).write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise BadInput(f"The findings can't be written to {target} ({error.strerror}).") from error
