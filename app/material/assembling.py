"""From the page to the playing: ties merged, repeats unfolded, ornaments, slurs, dynamics and tempo attached.

:func:`assemble` turns a :class:`~app.material.written.WrittenPart` into the :class:`~app.domain.piece.Piece` that is
followed. It is the only place where note ids are given: ``n<k>`` counts the sounding heads of the page from 1 (so an
excerpt or a changed reading of the same page keeps its ids), with ``-2`` behind it on the second pass.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from app.domain.errors import BadNotation
from app.domain.piece import Bar, Ornament, Piece, PieceNote, TempoMark
from app.material.instruments import Instrument, instrument
from app.material.ornaments import sounding_ornament
from app.material.phrasing import guess_phrases
from app.material.pitch_names import Pitch, class_name, from_line_of_fifths
from app.material.unfolding import BarPass, unfold
from app.material.written import Direction, WrittenBar, WrittenNote, WrittenPart, felt_beat

ASSUMED_BPM = 96.0  # our choice, to the quarter, where no metronome mark is printed
STANDING_DYNAMICS = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")
# Marks for one note: what stands in force afterwards (None: what stood before).
PASSING_DYNAMICS = {"fp": "p", "sfp": "p", "sfpp": "pp", "pf": "f"}


@dataclass(slots=True)
class _Draft:
    """A note while ties may still be added to it."""

    number: int
    head: WrittenNote
    bar: WrittenBar
    bar_pass: BarPass
    bar_index: int
    onset: Fraction
    length: Fraction
    head_ids: list[str]
    last: WrittenNote
    slurred: bool
    ornament: Ornament | None
    dynamic: str | None
    hairpin: str | None
    accented: bool
    articulations: list[str]
    tied: bool = False
    fermata: bool = False


@dataclass(slots=True)
class _Loudness:
    """The dynamic and hairpin in force while walking through the bars."""

    dynamic: str | None = None
    hairpin: str | None = None
    accented: bool = False
    waiting: list[Direction] = field(default_factory=list)

    def enter(self, bar: WrittenBar) -> None:
        self.advance(None)
        self.waiting = sorted(bar.directions, key=lambda one: one.onset)

    def advance(self, onset: Fraction | None) -> None:
        """Apply everything printed up to ``onset`` (None: to the end of the bar)."""
        self.accented = False
        while self.waiting and (onset is None or self.waiting[0].onset <= onset):
            one = self.waiting.pop(0)
            if one.kind == "hairpin":
                self.hairpin = None if one.value == "stop" else one.value
            elif one.kind == "dynamic":
                if one.value in STANDING_DYNAMICS:
                    self.dynamic, self.hairpin = one.value, None
                else:
                    self.accented = one.onset == onset
                    self.dynamic = PASSING_DYNAMICS.get(one.value, self.dynamic)
            else:
                words = one.value.strip().casefold()
                if words.startswith("cresc"):
                    self.hairpin = "crescendo"
                elif words.startswith(("dim", "decresc")):
                    self.hairpin = "diminuendo"


def assemble(part: WrittenPart, instrument_key: str, *, repeats: bool = True) -> Piece:
    """The playable piece of a written part; :class:`BadNotation` when nothing in it is to be played."""
    player = instrument(instrument_key)
    order, warnings = unfold([bar.navigation for bar in part.bars], repeats=repeats)
    bars = _bars(part, order)
    drafts = _drafts(part, order, bars)
    if not drafts:
        raise BadNotation("There is no note in this part; choose another part or another file.")
    tempo_marks, assumed, tempo_warnings = _tempo_marks(part, order, bars)
    tonic, mode = _tonic(part, drafts)
    transposition = part.bars[0].transposition_semitones
    piece = Piece(
        title=part.title,
        instrument=player.key,
        transposition_semitones=transposition,
        notes=tuple(_note(one, player) for one in drafts),
        bars=bars,
        tempo_marks=tempo_marks,
        tonic_written=tonic,
        mode=mode,
        warnings=(*part.warnings, *warnings, *tempo_warnings, *_out_of_range(drafts, player)),
        tempo_assumed=assumed,
    )
    return replace(piece, phrases=guess_phrases(piece))


def _bars(part: WrittenPart, order: Sequence[BarPass]) -> tuple[Bar, ...]:
    out = []
    at = Fraction(0)
    for i, one in enumerate(order):
        bar = part.bars[one.index]
        out.append(
            Bar(
                index=i,
                number=bar.number,
                onset_quarters=float(at),
                length_quarters=float(bar.length),
                beats=bar.beats,
                beat_type=bar.beat_type,
                felt_beat_quarters=float(felt_beat(bar.beats, bar.beat_type)),
                fifths=bar.fifths,
                pass_number=one.pass_number,
            )
        )
        at += bar.length
    return tuple(out)


def _numbers(part: WrittenPart) -> list[list[int]]:
    """The note number of every written note by bar and place (0 for a rest)."""
    count = 0
    out = []
    for bar in part.bars:
        row = []
        for one in bar.notes:
            count += not one.is_rest
            row.append(0 if one.is_rest else count)
        out.append(row)
    return out


def _drafts(part: WrittenPart, order: Sequence[BarPass], bars: Sequence[Bar]) -> list[_Draft]:
    numbers = _numbers(part)
    drafts: list[_Draft] = []
    last_held: _Draft | None = None
    open_slurs: set[int] = set()
    loudness = _Loudness()
    start = Fraction(0)
    before: BarPass | None = None
    for bar_index, one in enumerate(order):
        bar = part.bars[one.index]
        if before is not None and one.index != before.index + 1:
            open_slurs.clear()  # a slur does not reach over a jump
        loudness.enter(bar)
        in_force: dict[int, int] = {}
        for place, note in enumerate(bar.notes):
            if note.is_rest:
                continue
            onset = start + note.onset
            loudness.advance(note.onset)
            joins = (
                last_held is not None
                and last_held.onset + last_held.length == onset
                and _holds_on(last_held.last, note)
            )
            slurred = bool(open_slurs)
            open_slurs.difference_update(note.slurs_ended)
            open_slurs.update(note.slurs_begun)
            if joins and last_held is not None:
                _extend(last_held, note, _ornament(note, bar, in_force))
                continue
            for head in note.pitches:
                if not note.tie_from:
                    in_force[head.diatonic] = head.alter
            draft = _Draft(
                number=numbers[one.index][place],
                head=note,
                bar=bar,
                bar_pass=one,
                bar_index=bar_index,
                onset=onset,
                length=note.length,
                head_ids=list(note.head_ids),
                last=note,
                slurred=slurred and bool(drafts),
                ornament=_ornament(note, bar, in_force),
                dynamic=loudness.dynamic,
                hairpin=loudness.hairpin,
                accented=loudness.accented,
                articulations=list(note.articulations),
                fermata=note.fermata,
            )
            drafts.append(draft)
            if not note.grace:
                last_held = draft
        start += bar.length
        before = one
    return drafts


def _holds_on(before: WrittenNote, note: WrittenNote) -> bool:
    """Whether nothing is struck anew: every pitch is tied over from the head right before.

    The end of a tie may be missing on a single note, as some programs leave it out.
    """
    if note.grace is not None or not before.tie_to:
        return False
    if len(before.pitches) == 1:
        return before.pitches == note.pitches
    return note.tie_from and set(note.pitches) <= set(before.pitches)


def _ornament(note: WrittenNote, bar: WrittenBar, in_force: dict[int, int]) -> Ornament | None:
    if note.ornament is None or note.unpitched:
        return None
    return sounding_ornament(note.ornament, note.pitches[-1], bar.fifths, in_force, bar.transposition_semitones)


def _extend(draft: _Draft, note: WrittenNote, ornament: Ornament | None) -> None:
    draft.ornament = draft.ornament or ornament
    draft.length += note.length
    draft.head_ids += note.head_ids
    draft.last = note
    draft.tied = True
    draft.fermata = draft.fermata or note.fermata
    draft.articulations += [one for one in note.articulations if one not in draft.articulations]


def _note(draft: _Draft, player: Instrument) -> PieceNote:
    shift = draft.bar.transposition_semitones
    pitches = draft.head.pitches
    top = pitches[-1]
    passes = draft.bar_pass.pass_number
    beat = felt_beat(draft.bar.beats, draft.bar.beat_type)
    missing = draft.bar.metre_length - draft.bar.length if draft.bar.pickup else Fraction(0)
    articulations = tuple(draft.articulations)
    if draft.accented and "accent" not in articulations:
        articulations = (*articulations, "accent")
    return PieceNote(
        note_id=f"n{draft.number}" if passes == 1 else f"n{draft.number}-{passes}",
        bar=draft.bar.number,
        bar_index=draft.bar_index,
        beat=float(1 + (draft.head.onset + missing) / beat),
        onset_quarters=float(draft.onset),
        length_quarters=float(draft.length),
        written_pitch=top.name,
        written_midi=top.midi,
        sounding_midi=top.midi + shift,
        grace=draft.head.grace is not None,
        ornament=draft.ornament,
        slurred_from_previous=draft.slurred,
        articulations=articulations,
        fermata=draft.fermata,
        dynamic=draft.dynamic,
        hairpin="crescendo" if draft.hairpin == "crescendo" else "diminuendo" if draft.hairpin else None,
        breath_after=draft.last.breath_after,
        tied=draft.tied,
        chord_sounding_midi=tuple(one.midi + shift for one in pitches) if len(pitches) > 1 else (),
        unpitched=draft.head.unpitched or player.unpitched,
        engraved_ids=tuple(draft.head_ids),
    )


def _tempo_marks(
    part: WrittenPart, order: Sequence[BarPass], bars: Sequence[Bar]
) -> tuple[tuple[TempoMark, ...], bool, tuple[str, ...]]:
    marks: list[TempoMark] = []
    printed = False
    for one, bar in zip(order, bars, strict=True):
        for tempo in part.bars[one.index].tempos:
            mark = TempoMark(
                onset_quarters=bar.onset_quarters + float(tempo.onset),
                beat_unit_quarters=float(tempo.beat_unit),
                beats_per_minute=tempo.beats_per_minute,
                text=tempo.text,
            )
            printed = printed or tempo.printed
            if marks and mark.onset_quarters == marks[-1].onset_quarters:
                marks.pop()
            if not marks or replace(marks[-1], onset_quarters=mark.onset_quarters) != mark:
                marks.append(mark)
    if not marks:
        first = part.bars[0]
        sentence = f"No metronome mark is printed; {ASSUMED_BPM:g} to the quarter note is assumed."
        if felt_beat(first.beats, first.beat_type) == Fraction(3, 2):
            mark = TempoMark(0.0, 1.5, ASSUMED_BPM / 1.5)
            return (mark,), True, (sentence,)
        return (TempoMark(0.0, 1.0, ASSUMED_BPM),), True, (sentence,)
    warnings = () if printed else ("No metronome mark is printed; the file's playback tempo is taken for it.",)
    if marks[0].onset_quarters > 0:
        marks.insert(0, replace(marks[0], onset_quarters=0.0, text=""))
    return tuple(marks), False, warnings


def _tonic(part: WrittenPart, drafts: Sequence[_Draft]) -> tuple[str | None, str | None]:
    """The tonic the key signature means: by its printed mode, else the one of its two keys the piece ends on."""
    if drafts[-1].head.unpitched:
        return None, None
    last_bar = drafts[-1].bar
    major = class_name(*from_line_of_fifths(last_bar.fifths))
    minor = class_name(*from_line_of_fifths(last_bar.fifths + 3))
    if last_bar.mode in ("major", "minor"):
        return (major, "major") if last_bar.mode == "major" else (minor, "minor")
    closing: Pitch = drafts[-1].head.pitches[-1]
    if closing.pitch_class == minor:
        return minor, "minor"
    return (major, "major") if closing.pitch_class == major else (None, None)


def _out_of_range(drafts: Sequence[_Draft], player: Instrument) -> tuple[str, ...]:
    if player.unpitched:
        return ()
    outside = sorted(
        {
            one.midi
            for draft in drafts
            if not draft.head.unpitched
            for one in draft.head.pitches
            if not player.lowest_sounding_midi
            <= one.midi + draft.bar.transposition_semitones
            <= player.highest_sounding_midi
        }
    )
    if not outside:
        return ()
    names = [next(p.name for draft in drafts for p in draft.head.pitches if p.midi == midi) for midi in outside[:4]]
    more = " and others" if len(outside) > 4 else ""
    return (f"Outside the usual range of the {player.name}: written {', '.join(names)}{more}.",)
