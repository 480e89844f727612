"""A guess at phrases where the leader marked none: from breath marks, fermatas, rests and long slurs."""

from collections.abc import Sequence

from app.domain.piece import Phrase, Piece, PieceNote

REST_BEATS = 1.0  # our choice: a rest of a felt beat ends a phrase
SHORTEST_PHRASE_NOTES = 4  # our choice: a shorter stretch joins its neighbour
LONG_SLUR_BARS = 1.5  # our choice: a slur this long is taken to be a phrase


def guess_phrases(piece: Piece) -> tuple[Phrase, ...]:
    """Phrases by note ids in playing order, covering the whole piece; every one is ``guessed``."""
    notes = piece.notes
    if not notes:
        return ()
    ends = _ends(piece)
    groups: list[list[PieceNote]] = [[]]
    for i, note in enumerate(notes):
        groups[-1].append(note)
        if i in ends and i + 1 < len(notes):
            groups.append([])
    joined: list[list[PieceNote]] = []
    for group in groups:
        if joined and (_sung(group) < SHORTEST_PHRASE_NOTES or _sung(joined[-1]) < SHORTEST_PHRASE_NOTES):
            joined[-1] = joined[-1] + group
        else:
            joined.append(group)
    return tuple(Phrase(group[0].note_id, group[-1].note_id, guessed=True) for group in joined)


def _sung(group: Sequence[PieceNote]) -> int:
    return sum(1 for note in group if not note.grace)


def _ends(piece: Piece) -> set[int]:
    """Indices of notes after which a phrase may end."""
    notes = piece.notes
    out = set()
    slur_start = 0
    for i, note in enumerate(notes[:-1]):
        after = notes[i + 1]
        bar = piece.bars[note.bar_index]
        silence = after.onset_quarters - (note.onset_quarters + note.length_quarters)
        if note.grace:
            continue
        if note.breath_after or note.fermata or silence >= REST_BEATS * bar.felt_beat_quarters - 1e-6:
            out.add(i)
        if not note.slurred_from_previous and not (i and notes[i - 1].grace):
            slur_start = i
        if not after.slurred_from_previous:
            slurred = note.onset_quarters + note.length_quarters - notes[slur_start].onset_quarters
            if i > slur_start and slurred >= LONG_SLUR_BARS * bar.length_quarters:
                out.add(i)
    return out
