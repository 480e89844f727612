"""A played piece back onto a page: notes cut at barlines and into printable lengths, rests put in between.

Used for what comes without a page of its own: generated pieces and MIDI files. Each printed head gets an id made from
its note's id, so that marks land on the right heads.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

from app.domain.piece import Bar, Piece, PieceNote
from app.material.instruments import instrument
from app.material.pitch_names import Pitch, pitch, spelled
from app.material.written import Direction, WrittenBar, WrittenNote, WrittenOrnament, WrittenPart, WrittenTempo

FINEST = 960  # our choice: positions are fractions with at most this denominator
_TUPLETS = {3: 2, 5: 4, 7: 4, 9: 8}
SHORTEST_BASE = Fraction(1, 32)  # a 128th note, in quarters
LONGEST_BASE = Fraction(8)  # a breve


def exact(quarters: float) -> Fraction:
    """A position or length in quarters as the fraction it stands for."""
    return Fraction(quarters).limit_denominator(FINEST)


def tuplet_of(length: Fraction) -> tuple[int, int] | None:
    """The tuplet a length needs: (3, 2) for a third of a quarter, None for a plain one."""
    odd = length.denominator
    while odd % 2 == 0:
        odd //= 2
    return None if odd == 1 else (odd, _TUPLETS.get(odd, 1 << (odd.bit_length() - 1)))


def base_and_dots(length: Fraction) -> tuple[Fraction, int] | None:
    """The plain note (in quarters) and the number of dots, at most two, that show a length; None when none do."""
    for dots in range(3):
        base = length / (2 - Fraction(1, 2**dots))
        if SHORTEST_BASE <= base <= LONGEST_BASE and {base.numerator.bit_count(), base.denominator.bit_count()} == {1}:
            return base, dots
    return None


def is_printable(length: Fraction) -> bool:
    """Whether one note head with at most two dots (one inside a tuplet) shows this length."""
    ratio = tuplet_of(length)
    shown = base_and_dots(length if ratio is None else length * ratio[0] / ratio[1])
    return shown is not None and shown[1] <= (1 if ratio else 2)


def cut(start: Fraction, end: Fraction, beat: Fraction) -> list[tuple[Fraction, Fraction]]:
    """A stretch of one bar as printable (onset, length) pieces, cut at beats where one head can't show it."""
    length = end - start
    next_beat = (start // beat + 1) * beat
    # A tuplet note may cross a beat only where it is one of a row of its own kind, as quarter triplets are.
    row = tuplet_of(length) is None or end <= next_beat or (start % length == 0 and length < 2 * beat)
    if is_printable(length) and row:
        return [(start, length)]
    if start % beat and next_beat < end:
        return cut(start, next_beat, beat) + cut(next_beat, end, beat)
    if end - start > beat:
        # Whole beats first, as many as one head can hold.
        whole = next(
            (
                k * beat
                for k in range(int((end - start) / beat), 0, -1)
                if k * beat < end - start and is_printable(k * beat)
            ),
            None,
        )
        if whole is not None:
            return [(start, whole), *cut(start + whole, end, beat)]
    step = Fraction(4)
    while step > SHORTEST_BASE and not (step < end - start and is_printable(end - start - step)):
        step /= 2
    if step < end - start and is_printable(end - start - step):
        return [(start, step), (start + step, end - start - step)]
    plain = Fraction(4)
    while plain >= end - start and plain > SHORTEST_BASE:
        plain /= 2
    if plain >= end - start:
        return [(start, end - start)]
    return [(start, plain), *cut(start + plain, end, beat)]


def head_id(note_id: str, head: int) -> str:
    """Id of the ``head``-th printed head (from 0) of a note."""
    return f"{note_id}h{head + 1}"


def with_heads(piece: Piece) -> Piece:
    """The piece with ``engraved_ids`` set to the heads :func:`lay_out` prints, and ``tied`` where there are several."""
    heads: dict[str, list[str]] = {}
    rows: Counter[str] = Counter()
    for bar in lay_out(piece).bars:
        for one in bar.notes:
            for name in one.head_ids:
                heads.setdefault(name.rsplit("h", 1)[0], []).append(name)
            if one.head_ids:
                rows[one.head_ids[0].rsplit("h", 1)[0]] += 1
    return replace(
        piece,
        notes=tuple(
            replace(note, engraved_ids=tuple(heads.get(note.note_id, ())), tied=rows[note.note_id] > 1)
            for note in piece.notes
        ),
    )


def lay_out(piece: Piece) -> WrittenPart:
    """The piece as printed bars, every pass of a repeat written out."""
    slur_numbers = _slurs(piece.notes)
    pieces: dict[int, list[WrittenNote]] = {bar.index: [] for bar in piece.bars}
    heads: dict[str, int] = {}
    for note in piece.notes:
        for index, one in _printed(note, piece, slur_numbers, heads):
            pieces[index].append(one)
    bars = []
    dynamic: str | None = None
    hairpin: str | None = None
    for bar in piece.bars:
        directions = []
        for note in (n for n in piece.notes if n.bar_index == bar.index and not n.grace):
            at = exact(note.onset_quarters) - exact(bar.onset_quarters)
            if note.hairpin != hairpin:
                if hairpin is not None:
                    directions.append(Direction(at, "hairpin", "stop"))
                if note.hairpin is not None:
                    directions.append(Direction(at, "hairpin", note.hairpin))
                hairpin = note.hairpin
            if note.dynamic is not None and note.dynamic != dynamic:
                directions.append(Direction(at, "dynamic", note.dynamic))
                dynamic = note.dynamic
        bars.append(_bar(bar, piece, pieces[bar.index], directions))
    return WrittenPart(piece.title, tuple(bars))


def _slurs(notes: Iterable[PieceNote]) -> dict[str, tuple[tuple[int, ...], tuple[int, ...]]]:
    """For each note id the slurs that begin and end on it, from runs of slurred notes."""
    out: dict[str, tuple[tuple[int, ...], tuple[int, ...]]] = {}
    ordered = list(notes)
    number = 0
    for i, note in enumerate(ordered):
        goes_on = i + 1 < len(ordered) and ordered[i + 1].slurred_from_previous
        ends = (number,) if note.slurred_from_previous and not goes_on else ()
        begins: tuple[int, ...] = ()
        if goes_on and not note.slurred_from_previous:
            number += 1
            begins = (number,)
        out[note.note_id] = (begins, ends)
    return out


def _pitches(note: PieceNote, piece: Piece, fifths: int) -> tuple[Pitch, ...]:
    top = pitch(note.written_pitch)
    others = {
        spelled(midi - piece.transposition_semitones, fifths)
        for midi in note.chord_sounding_midi
        if midi != note.sounding_midi
    }
    return tuple(sorted({top, *others}, key=lambda one: one.midi))


def _printed(
    note: PieceNote,
    piece: Piece,
    slurs: dict[str, tuple[tuple[int, ...], tuple[int, ...]]],
    heads: dict[str, int],
) -> list[tuple[int, WrittenNote]]:
    """The printed heads of one note with the index of the bar each stands in."""
    begins, ends = slurs[note.note_id]
    bar = piece.bars[note.bar_index]
    pitches = _pitches(note, piece, bar.fifths)
    ornament = None if note.ornament is None else WrittenOrnament(note.ornament.kind)
    spans: list[tuple[int, Fraction, Fraction]] = []
    start, end = exact(note.onset_quarters), exact(note.onset_quarters) + exact(note.length_quarters)
    if note.grace:
        spans = [(bar.index, start - exact(bar.onset_quarters), Fraction(0))]
    for one in piece.bars[note.bar_index :] if not note.grace else ():
        bar_start = exact(one.onset_quarters)
        bar_end = bar_start + exact(one.length_quarters)
        if bar_start >= end:
            break
        inside = (max(start, bar_start) - bar_start, min(end, bar_end) - bar_start)
        spans += [(one.index, *span) for span in cut(*inside, exact(one.felt_beat_quarters))]
    out = []
    for k, (index, onset, length) in enumerate(spans):
        first, last = k == 0, k == len(spans) - 1
        ids = []
        for _ in pitches:
            ids.append(head_id(note.note_id, heads.get(note.note_id, 0)))
            heads[note.note_id] = heads.get(note.note_id, 0) + 1
        out.append(
            (
                index,
                WrittenNote(
                    onset=onset,
                    length=length,
                    pitches=pitches,
                    head_ids=tuple(ids),
                    grace="acciaccatura" if note.grace else None,
                    tie_from=not first,
                    tie_to=not last,
                    slurs_begun=begins if first else (),
                    slurs_ended=ends if last else (),
                    articulations=note.articulations if first else (),
                    ornament=ornament if first else None,
                    fermata=note.fermata and last,
                    breath_after=note.breath_after and last,
                    tuplet=tuplet_of(length) if length else None,
                    unpitched=note.unpitched,
                ),
            )
        )
    return out


def _bar(bar: Bar, piece: Piece, notes: list[WrittenNote], directions: list[Direction]) -> WrittenBar:
    length, beat = exact(bar.length_quarters), exact(bar.felt_beat_quarters)
    filled: list[WrittenNote] = []
    at = Fraction(0)
    for one in notes:
        if one.onset > at and not one.grace:
            # Grace notes already set lead to this note: the rest stands before them.
            place = len(filled)
            while place and filled[place - 1].grace:
                place -= 1
            filled[place:place] = _rests(at, one.onset, beat)
        filled.append(one)
        at = max(at, one.end)
    if at < length:
        filled += _rests(at, length, beat)
    start = exact(bar.onset_quarters)
    return WrittenBar(
        number=bar.number,
        length=length,
        beats=bar.beats,
        beat_type=bar.beat_type,
        fifths=bar.fifths,
        notes=tuple(filled),
        directions=tuple(directions),
        tempos=tuple(
            WrittenTempo(
                exact(mark.onset_quarters) - start,
                exact(mark.beat_unit_quarters),
                mark.beats_per_minute,
                mark.text,
                printed=not piece.tempo_assumed,
            )
            for mark in piece.tempo_marks
            if start <= exact(mark.onset_quarters) < start + length
        ),
        transposition_semitones=piece.transposition_semitones,
        clef=instrument(piece.instrument).clef if bar.index == 0 else "",
        pickup=bar.index == 0 and length < Fraction(4 * bar.beats, bar.beat_type),
    )


def _rests(start: Fraction, end: Fraction, beat: Fraction) -> list[WrittenNote]:
    return [WrittenNote(onset, length, (), tuplet=tuplet_of(length)) for onset, length in cut(start, end, beat)]
