"""A few bars typed as ABC text: checked bar by bar, engraved, and read as a piece.

The way to the piece leads through our own MusicXML and the reader of notation files, so that typed bars and files are
understood the same way.
"""

from dataclasses import dataclass, replace
from fractions import Fraction

from app.domain.errors import BadNotation
from app.domain.piece import Piece
from app.files.abc_bars import SettledBar, settle
from app.files.abc_parsing import parse
from app.files.abc_typed import Event, Tune, TypedBar
from app.files.engraving import engrave
from app.files.notation import DEFAULT_TITLE, prepared_musicxml, read_notation
from app.files.notation_writing import part_to_musicxml
from app.material.instruments import Instrument
from app.material.instruments import instrument as instrument_of
from app.material.laying_out import base_and_dots, cut, is_printable, tuplet_of
from app.material.written import WrittenBar, WrittenNote, WrittenPart, felt_beat

DEFAULT_INSTRUMENT = "clarinet-bb"


@dataclass(frozen=True, slots=True)
class BarCheck:
    """One typed bar. ``sentence`` is empty where its length is right."""

    number: str
    length_quarters: float
    expected_quarters: float
    ok: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class AbcCheck:
    """What to tell the typist. ``sentence`` is the first thing to mend, or that all is well."""

    bars: tuple[BarCheck, ...]
    sentence: str
    ok: bool
    svg: str  # empty where nothing can be engraved yet
    musicxml: bytes  # empty where there is no note yet; else the ids of the engraving
    problems: tuple[str, ...] = ()  # everything to mend, in order


def check_abc(text: str, *, instrument: str = DEFAULT_INSTRUMENT, engraved: bool = True) -> AbcCheck:
    """Check typed bars and engrave what is there so far, right or wrong."""
    player = instrument_of(instrument)
    tune = parse(text)
    settled = settle(tune.bars)
    problems = [f"{_place(one.bar, one.line, settled)}{one.sentence}" for one in tune.problems] + [
        one.sentence for one in settled if one.sentence
    ]
    has_notes = any(event.pitches for bar in tune.bars for event in bar.events)
    if not has_notes:
        problems.append("There is no note yet; type one, such as C D E F | G4 |.")
    unprintable = _unprintable(tune, settled)
    problems = [*unprintable, *problems]
    musicxml = b""
    if has_notes and not unprintable:
        musicxml = prepared_musicxml(part_to_musicxml(_part(tune, settled, player), player))
    return AbcCheck(
        bars=tuple(
            BarCheck(one.number, float(one.length), float(one.expected), not one.sentence, one.sentence)
            for one in settled
        ),
        sentence=problems[0] if problems else _all_well(settled),
        ok=not problems,
        svg=_engraved(musicxml) if musicxml and engraved else "",
        musicxml=musicxml,
        problems=tuple(problems),
    )


def _engraved(musicxml: bytes) -> str:
    """The picture; empty for half-typed bars that the engraver can't set, so that the check still answers."""
    try:
        return engrave(musicxml).svg
    except BadNotation:
        return ""


def read_abc(text: str, *, instrument: str, title: str = "", repeats: bool = True) -> Piece:
    """The piece typed as ABC text; :class:`BadNotation` with the first thing to mend."""
    check = check_abc(text, instrument=instrument, engraved=False)
    if not check.ok:
        raise BadNotation(check.sentence, problems=list(check.problems[:20]))
    piece = read_notation(check.musicxml, instrument=instrument, repeats=repeats)
    typed = "" if piece.title == DEFAULT_TITLE else piece.title
    return replace(piece, title=title or typed or DEFAULT_TITLE)


def _place(bar: int, line: int, settled: list[SettledBar]) -> str:
    if not settled:
        return f"Line {line}: "
    name = "Pickup" if settled[bar].pickup else f"Bar {settled[bar].number}"
    return f"{name} (line {line}): "


def _all_well(settled: list[SettledBar]) -> str:
    count = len({one.number for one in settled if not one.pickup})
    pickup = " and a pickup" if settled and settled[0].pickup else ""
    return f"{count} {'bar' if count == 1 else 'bars'}{pickup}; every length is right."


def _part(tune: Tune, settled: list[SettledBar], player: Instrument) -> WrittenPart:
    return WrittenPart(
        title=tune.title,
        composer=tune.composer,
        bars=tuple(_bar(bar, one, player) for bar, one in zip(tune.bars, settled, strict=True)),
    )


def _bar(bar: TypedBar, settled: SettledBar, player: Instrument) -> WrittenBar:
    beats, beat_type = bar.metre.beats, bar.metre.beat_type
    if bar.metre.free:
        beats, beat_type = max(1, round(settled.length)), 4
    return WrittenBar(
        number=settled.number,
        length=settled.length,
        beats=beats,
        beat_type=beat_type,
        fifths=bar.key.fifths,
        mode=bar.key.mode,
        notes=_notes(bar),
        directions=tuple(bar.directions),
        tempos=tuple(bar.tempos),
        navigation=bar.navigation,
        transposition_semitones=player.transposition_semitones,
        clef=bar.clef,
        pickup=settled.pickup,
        barline="double" if bar.double else "",
    )


def _unprintable(tune: Tune, settled: list[SettledBar]) -> list[str]:
    """Sentences on lengths that no row of tied notes shows."""
    out = []
    for bar, one in zip(tune.bars, settled, strict=True):
        for event in bar.events:
            if event.grace is None and not _printable(event, bar):
                out.append(
                    f"Bar {one.number} (line {bar.line}): a note or rest is too short or too long to be printed; "
                    "check the lengths there."
                )
                break
    return out


def _printable(event: Event, bar: TypedBar) -> bool:
    if event.tuplet is not None:
        return base_and_dots(event.length * event.tuplet[0] / event.tuplet[1]) is not None
    return all(is_printable(length) for _, length in _heads(event, Fraction(0), bar))


def _heads(event: Event, onset: Fraction, bar: TypedBar) -> list[tuple[Fraction, Fraction]]:
    """Onsets and lengths of the heads that show an event: C5 is a half note tied to an eighth."""
    if event.grace is not None or event.tuplet is not None or is_printable(event.length):
        return [(onset, event.length)]
    return cut(onset, onset + event.length, felt_beat(bar.metre.beats, bar.metre.beat_type))


def _notes(bar: TypedBar) -> tuple[WrittenNote, ...]:
    out = []
    at = Fraction(0)
    events = bar.events
    for i, event in enumerate(events):
        grace = event.grace
        alone = not any(0 <= k < len(events) and events[k].grace for k in (i - 1, i + 1))
        heads = _heads(event, at, bar)
        for k, (onset, length) in enumerate(heads):
            first, last = k == 0, k == len(heads) - 1
            out.append(
                WrittenNote(
                    onset=onset,
                    length=Fraction(0) if grace else length,
                    pitches=tuple(event.pitches),
                    grace=grace,
                    tie_from=event.tie_from or not first,
                    tie_to=event.tie_to or not last,
                    slurs_begun=tuple(event.slurs_begun) if first else (),
                    slurs_ended=tuple(event.slurs_ended) if last else (),
                    articulations=tuple(event.articulations) if first else (),
                    ornament=event.ornament if first else None,
                    fermata=event.fermata and last,
                    breath_after=event.breath_after and last,
                    tuplet=event.tuplet or (None if grace else tuplet_of(length)),
                    printed_length=(Fraction(1, 2) if alone else Fraction(1, 4)) if grace else None,
                )
            )
        at += Fraction(0) if grace else event.length
    return tuple(out)
