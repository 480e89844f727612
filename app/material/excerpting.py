"""The bars of a piece that are heard."""

from dataclasses import replace

from app.domain.errors import BadInput
from app.domain.piece import Piece, TempoMark
from app.material.phrasing import guess_phrases


def excerpt(piece: Piece, first_bar: str | None, last_bar: str | None) -> Piece:
    """The piece from ``first_bar`` to ``last_bar`` (printed numbers, both included; None: from or to the end).

    Where repeats make a bar sound several times, the shortest way from the first to the last bar is taken: an excerpt
    is played without its repeats, by the last ending. Note ids stay what they are in the whole piece, except that every
    note counts as its own first pass where the excerpt holds only one.
    """
    if not (first_bar or last_bar):
        return piece
    numbers = [bar.number for bar in piece.bars]
    for wanted in (first_bar, last_bar):
        if wanted and wanted not in numbers:
            raise BadInput(f"There is no bar {wanted}; this piece has bars {numbers[0]} to {numbers[-1]}.", bar=wanted)
    starts = [i for i, number in enumerate(numbers) if number == first_bar] if first_bar else [0]
    ends = [i for i, number in enumerate(numbers) if number == last_bar] if last_bar else [len(numbers) - 1]
    ways = [(end - start, start, end) for start in starts for end in ends if end >= start]
    if not ways:
        raise BadInput(f"Bar {last_bar} does not come after bar {first_bar}; name the excerpt's bars in playing order.")
    _, start, end = min(ways)
    return _cut(piece, start, end)


def _cut(piece: Piece, start: int, end: int) -> Piece:
    begin = piece.bars[start].onset_quarters
    finish = piece.bars[end].onset_quarters + piece.bars[end].length_quarters
    bars = tuple(
        replace(bar, index=i, onset_quarters=bar.onset_quarters - begin)
        for i, bar in enumerate(piece.bars[start : end + 1])
    )
    kept = [note for note in piece.notes if start <= note.bar_index <= end]
    if not kept:
        raise BadInput("These bars hold no note to be played; choose other bars.")
    ids = {note.note_id.partition("-")[0] for note in kept}
    single = len(ids) == len(kept)
    notes = tuple(
        replace(
            note,
            note_id=note.note_id.partition("-")[0] if single else note.note_id,
            bar_index=note.bar_index - start,
            onset_quarters=note.onset_quarters - begin,
            length_quarters=min(note.length_quarters, finish - note.onset_quarters),
            slurred_from_previous=note.slurred_from_previous and i > 0,
        )
        for i, note in enumerate(kept)
    )
    passes: dict[str, int] = {}
    numbered = []
    for bar in bars:
        passes[bar.number] = passes.get(bar.number, 0) + 1
        numbered.append(replace(bar, pass_number=passes[bar.number]))
    in_force = [mark for mark in piece.tempo_marks if mark.onset_quarters <= begin][-1]
    marks: list[TempoMark] = [replace(in_force, onset_quarters=0.0)]
    marks += [
        replace(mark, onset_quarters=mark.onset_quarters - begin)
        for mark in piece.tempo_marks
        if begin < mark.onset_quarters < finish
    ]
    out = replace(piece, notes=notes, bars=tuple(numbered), tempo_marks=tuple(marks), phrases=())
    known = {note.note_id for note in notes}
    marked = tuple(
        phrase
        for phrase in piece.phrases
        if not phrase.guessed and phrase.start_note_id in known and phrase.end_note_id in known
    )
    return replace(out, phrases=marked or guess_phrases(out))
