"""Notation files to pieces: MusicXML (plain or compressed) and Standard MIDI, told apart by content.

The chain: bytes -> a safe element tree -> one part with an id on every head -> bars (own reading) and notes (music21)
-> one line -> :func:`app.material.assembling.assemble`, where our own code begins at the note list.
"""

import xml.etree.ElementTree as ET
from dataclasses import replace
from fractions import Fraction

from app.domain.errors import BadNotation
from app.domain.piece import Piece
from app.files.midi_reading import midi_parts, read_midi
from app.files.notation_facts import BarFacts, read_facts
from app.files.notation_notes import read_notes
from app.files.notation_parts import PartInfo, choose_part, one_part, parts_of, partwise, serialised
from app.files.notation_safety import kind_of, tree_of
from app.files.notation_voices import one_line
from app.files.notation_writing import to_musicxml
from app.material.assembling import assemble
from app.material.instruments import Instrument, instrument
from app.material.transposing import for_instrument
from app.material.written import WrittenBar, WrittenNote, WrittenPart

DEFAULT_TITLE = "Untitled"


def list_parts(data: bytes) -> list[PartInfo]:
    """The parts of a notation file, to choose from."""
    if kind_of(data) == "midi":
        return list(midi_parts(data))
    return list(parts_of(partwise(tree_of(data))))


def read_notation(
    data: bytes,
    *,
    file_name: str = "",
    part: str | int | None = None,
    instrument: str | None = None,
    repeats: bool = True,
) -> Piece:
    """The piece in a notation file.

    ``part`` is an index from 0 or a name; without it the file must have exactly one part that can be meant.
    ``instrument`` is the instrument whose page this is (default: what the file says): its transposition counts, since
    a player reads what is printed. ``file_name`` only serves as a title where the file has none. ``repeats`` False
    plays every repeated section once. Raises :class:`BadNotation` (or ``TooLarge``, ``BadInput``) in one sentence.
    """
    if kind_of(data) == "midi":
        piece = read_midi(data, part=part, instrument=instrument)
        return replace(piece, title=piece.title or _title_from(file_name))
    score, info = _one_part(data, part)
    written = _written_part(score, info)
    player, warnings = _player(written, info, instrument)
    written = replace(written, title=written.title or _title_from(file_name), warnings=written.warnings + warnings)
    piece = assemble(written, player.key, repeats=repeats)
    return for_instrument(piece, player.key) if instrument else piece


def prepared_musicxml(
    data: bytes, part: str | int | None = None, *, instrument: str | None = None, repeats: bool = True
) -> bytes:
    """The one-part MusicXML that is engraved. Its note ids are the ``engraved_ids`` of :func:`read_notation`."""
    if kind_of(data) == "midi":
        return to_musicxml(read_midi(data, part=part, instrument=instrument))
    score, _ = _one_part(data, part)
    return serialised(score)


def _one_part(data: bytes, part: str | int | None) -> tuple[ET.Element, PartInfo]:
    whole = partwise(tree_of(data))
    info = choose_part(parts_of(whole), part)
    return one_part(whole, info), info


def _written_part(score: ET.Element, info: PartInfo) -> WrittenPart:
    element = score.find("part")
    if element is None or element.find("measure") is None:
        raise BadNotation("There is no bar in this file; check that the right score was exported.")
    facts, warnings = read_facts(element)
    notes = one_line(read_notes(score), [bar.number for bar in facts])
    bars = tuple(_bar(fact, line, i, len(facts)) for i, (fact, line) in enumerate(zip(facts, notes, strict=True)))
    title = score.findtext("work/work-title") or score.findtext("movement-title") or ""
    composer = next((one.text or "" for one in score.iter("creator") if one.get("type") == "composer"), "")
    if len({bar.transposition_semitones for bar in bars}) > 1:
        warnings += ("The part changes its transposition; each bar sounds as the file says there.",)
    if info.unpitched:
        warnings += ("This is unpitched percussion: rhythm and level are measured, pitch is not.",)
    if any(len(one.pitches) > 1 for line in notes for one in line):
        warnings += ("Chords and double stops are followed, but not measured.",)
    return WrittenPart(
        title=" ".join(title.split())[:160], bars=bars, composer=composer, warnings=warnings + _odd_bars(bars)
    )


def _bar(facts: BarFacts, notes: tuple[WrittenNote, ...], place: int, count: int) -> WrittenBar:
    metre = Fraction(4 * facts.beats, facts.beat_type)
    return WrittenBar(
        number=facts.number,
        length=max(facts.length, max((one.end for one in notes), default=Fraction(0))),
        beats=facts.beats,
        beat_type=facts.beat_type,
        fifths=facts.fifths,
        notes=notes,
        directions=facts.directions,
        tempos=facts.tempos,
        navigation=facts.navigation,
        transposition_semitones=facts.transposition_semitones,
        clef=facts.clef,
        pickup=place == 0 and count > 1 and facts.length < metre,
        mode=facts.mode,
    )


def _odd_bars(bars: tuple[WrittenBar, ...]) -> tuple[str, ...]:
    """A sentence on bars whose length is not the metre's, pickups and halves of split bars excepted."""
    odd = []
    for i, bar in enumerate(bars):
        if bar.length == bar.metre_length or bar.pickup or i == len(bars) - 1:
            continue
        neighbours = [bars[k] for k in (i - 1, i + 1) if 0 <= k < len(bars)]
        if any(bar.length + one.length == bar.metre_length for one in neighbours):
            continue
        if bar.length < bar.metre_length and (
            bar.navigation.repeat_end or bar.navigation.endings or bars[i + 1].navigation.repeat_start
        ):
            continue
        odd.append(bar)
    if not odd:
        return ()
    first = odd[0]
    more = f" (and {len(odd) - 1} more)" if len(odd) > 1 else ""
    return (
        f"Bar {first.number}{more} holds {float(first.length):g} quarter notes where its metre asks for "
        f"{float(first.metre_length):g}; it is followed as written.",
    )


def _player(part: WrittenPart, info: PartInfo, wanted: str | None) -> tuple[Instrument, tuple[str, ...]]:
    """Whose page this is, and what to say about a file that disagrees with it."""
    shift = part.bars[0].transposition_semitones
    if wanted is None:
        if info.instrument is not None:
            return instrument(info.instrument), ()
        if shift and not info.unpitched:
            raise BadNotation("The file does not say which instrument reads this part; choose the instrument.")
        key = "snare-drum" if info.unpitched else "other"
        sentence = "The file does not name an instrument of the list; its notes are taken to sound as the file says."
        return instrument(key), () if info.unpitched else (sentence,)
    player = instrument(wanted)
    if player.transposition_semitones == shift or info.unpitched:
        return player, ()
    if shift == 0:
        return player, (f"The file gives no transposition; its notes are read as written for {player.name}.",)
    return player, (f"The file was made for another transposition; its notes are read as written for {player.name}.",)


def _title_from(file_name: str) -> str:
    stem = file_name.replace("\\", "/").rpartition("/")[2].rpartition(".")[0]
    return " ".join(stem.replace("_", " ").split())[:160] or DEFAULT_TITLE
