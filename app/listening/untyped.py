"""A take whose notation nobody has typed in: what can still be said, and no more.

The sounding notes are cut out of the pitch track; each is read against the nearest semitone at the take's own
reference. Tendencies, drift, vibrato, returning pitches, level with its arcs between breaths, and tone follow. There is
no rhythm, no wrong note and no measured mark: without a page nobody knows what was meant.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.domain.findings import Findings
from app.domain.piece import Bar, Phrase, Piece, PieceNote, TempoMark
from app.listening.features import extract
from app.listening.followed import Features, Followed, FollowedNote
from app.listening.following import fitted_tuning_cents
from app.listening.measuring import Progress, check_samples, findings_of
from app.listening.nothing import empty_rhythm
from app.listening.settings import ListeningSettings

FloatArray = NDArray[np.float64]

NO_NOTATION = "without notation only what the sound itself shows is measured"
NO_RHYTHM = "without notation there is no rhythm to judge"
NO_MARK = "without notation there is no measured mark"
NO_STROKES = "Unpitched percussion without notation: there is nothing to hold its strokes against, so none is measured."
NO_TONES = "Fewer than three steady tones were heard: too little to measure without notation."

# Our choices.
LEAVES_CENTS = 65.0  # from the note's running middle: the next note has begun
LEAVES_SEC = 0.03
GAP_SEC = 0.04
SHORTEST_SEC = 0.08
LEAST_CONFIDENCE = 0.5
NEW_ATTACK_DIP_DB = 4.0
DYING_DB = 20.0  # so far under the same pitch right before it a sound is the room's, not a note
BREATH_SEC = 0.25
LEAST_NOTES = 3
TRACE_STEP_SEC = 0.02  # nine points to a cycle of vibrato: enough to be seen
NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")  # the commonest spellings


@dataclass(frozen=True, slots=True)
class SoundingNote:
    """One note cut out of the pitch track."""

    onset_sec: float
    offset_sec: float
    sounding_midi: int


def measure_untyped(
    samples: NDArray[np.float32],
    sample_rate: int,
    settings: ListeningSettings | None = None,
    *,
    transposition_semitones: int = 0,
    instrument: str = "other",
    unpitched: bool = False,
    progress: Progress | None = None,
) -> Findings:
    """Findings of a take without notation; ``written_pitch`` follows the instrument's transposition.

    ``unpitched``: what rings in a drum is no note of its piece, so the findings only say that nothing is measured.
    ``samples`` [n] mono, full scale 1; ``progress`` is called with a share from 0 to 1 and a word. Raises
    :class:`app.domain.errors.BadAudio` when nothing can be measured at all.
    """
    settings = settings or ListeningSettings()
    report = progress or (lambda share, text: None)
    check_samples(samples, sample_rate)
    report(0.0, "listening")
    features = extract(samples, sample_rate)
    report(0.6, "cutting out the notes")
    tuning = fitted_tuning_cents(features)
    sounding = [] if unpitched else cut_notes(features, tuning)
    piece = _as_piece(sounding, transposition_semitones, instrument)
    usable = len(sounding) >= LEAST_NOTES
    followed = Followed(
        notes=tuple(
            FollowedNote(i, "played", n.onset_sec, n.offset_sec, n.sounding_midi) for i, n in enumerate(sounding)
        ),
        earlier=(),
        extra=(),
        breaks=(),
        tuning_cents=tuning,
        start_sec=sounding[0].onset_sec if sounding else 0.0,
        end_sec=sounding[-1].offset_sec if sounding else 0.0,
        usable=usable,
        warnings=() if usable else (NO_STROKES if unpitched else NO_TONES,),
    )
    report(0.7, "measuring the notes")
    found = findings_of(samples, sample_rate, piece, replace(settings, a4_hz="fit"), features, followed)
    found = replace(found, notated=False)
    if usable:
        found = _without_notation(found, pitch_trace(features, found.a4_hz_used))
    report(1.0, "measured")
    return found


def pitch_trace(features: Features, a4_hz: float) -> dict[str, Any]:
    """The pitch over time for a picture: {"step_sec", "semitones": [value or None]}.

    MIDI numbers at ``a4_hz``, so that whole ones are semitones of the take's own reference; None where no tone is sure.
    """
    every = max(1, round(TRACE_STEP_SEC / features.hop_sec))
    sure = np.isfinite(features.f0_hz) & (features.confidence >= LEAST_CONFIDENCE)
    sure &= features.level_db > features.floor_db
    with np.errstate(invalid="ignore", divide="ignore"):
        midi = 69.0 + 12.0 * np.log2(features.f0_hz / a4_hz)
    values = [round(float(v), 2) if known else None for v, known in zip(midi[::every], sure[::every], strict=True)]
    return {"step_sec": every * features.hop_sec, "semitones": values}


def cut_notes(features: Features, tuning_cents: float) -> list[SoundingNote]:
    """The notes of a pitch track: a new one after a gap, a change of pitch, or a new attack on the same pitch."""
    with np.errstate(invalid="ignore", divide="ignore"):
        cents = 100.0 * (69.0 + 12.0 * np.log2(features.f0_hz / 440.0)) - tuning_cents
    voiced = np.isfinite(cents) & (features.confidence >= LEAST_CONFIDENCE) & (features.level_db > features.floor_db)
    hop = features.hop_sec
    gap, leave = max(1, round(GAP_SEC / hop)), max(1, round(LEAVES_SEC / hop))
    found: list[tuple[int, int]] = []
    start: int | None = None
    last, middle = 0, 0.0
    away: list[int] = []  # frames that have left the note, which need not follow one another without a hole
    for i in np.flatnonzero(voiced):
        if start is not None and i - last > gap:
            found.append((start, last + 1))
            start = None
        if start is None:
            start, away, middle = int(i), [], float(cents[i])
        elif abs(cents[i] - middle) > LEAVES_CENTS:
            away.append(int(i))
            if len(away) >= leave:
                found.append((start, away[0]))
                start, middle, away = away[0], float(np.median(cents[away])), []
        else:
            away = []
            middle += 0.08 * float(cents[i] - middle)
        last = int(i)
    if start is not None:
        found.append((start, last + 1))
    out: list[SoundingNote] = []
    last_db = -np.inf
    for a, b in found:
        for c, d in _attacks_within(features, a, b):
            kept = cents[c:d][voiced[c:d]]
            if (d - c) * hop < SHORTEST_SEC or not kept.size:
                continue
            times = features.times_sec
            note = SoundingNote(float(times[c]), float(times[d - 1]) + hop, round(float(np.median(kept)) / 100.0))
            level_db = float(np.median(features.level_db[c:d]))
            same = bool(out) and out[-1].sounding_midi == note.sounding_midi
            if same and note.onset_sec - out[-1].offset_sec < BREATH_SEC and level_db < last_db - DYING_DB:
                continue
            out.append(note)
            last_db = level_db
    return out


def _attacks_within(features: Features, a: int, b: int) -> list[tuple[int, int]]:
    """Split frames a to b where the level dips and rises again by some dB: a tongued repetition."""
    level = features.level_db[a:b]
    wing = max(2, round(0.05 / features.hop_sec))
    cuts = [a]
    for i in range(wing, level.size - wing):
        low = level[i]
        if low > level[i - wing : i + wing + 1].min() + 1e-9:
            continue
        before, after = float(level[i - wing : i].max()), float(level[i + 1 : i + wing + 1].max())
        if (
            min(before, after) - float(low) >= NEW_ATTACK_DIP_DB
            and (a + i - cuts[-1]) * features.hop_sec > SHORTEST_SEC
        ):
            cuts.append(a + i)
    return list(zip(cuts, [*cuts[1:], b], strict=True))


def _as_piece(sounding: list[SoundingNote], transposition_semitones: int, instrument: str) -> Piece:
    """The notes as a piece of one bar in which a quarter lasts a second, so that all families can read them."""
    notes = []
    for k, n in enumerate(sounding):
        written = n.sounding_midi - transposition_semitones
        notes.append(
            PieceNote(
                note_id=f"h{k + 1}",
                bar="",
                bar_index=0,
                beat=0.0,
                onset_quarters=n.onset_sec,
                length_quarters=n.offset_sec - n.onset_sec,
                written_pitch=f"{NAMES[written % 12]}{written // 12 - 1}",
                written_midi=written,
                sounding_midi=n.sounding_midi,
            )
        )
    phrases = []
    start = 0
    for k, n in enumerate(sounding):
        if k + 1 == len(sounding) or sounding[k + 1].onset_sec - n.offset_sec >= BREATH_SEC:
            phrases.append(Phrase(f"h{start + 1}", f"h{k + 1}", None, guessed=True))
            start = k + 1
    end = sounding[-1].offset_sec if sounding else 1.0
    return Piece(
        title="",
        instrument=instrument,
        transposition_semitones=transposition_semitones,
        notes=tuple(notes),
        bars=(Bar(0, "", 0.0, end, 4, 4, 1.0),),
        tempo_marks=(TempoMark(0.0, 1.0, 60.0),),
        phrases=tuple(phrases),
        tempo_assumed=True,
    )


def _without_notation(found: Findings, trace: dict[str, Any]) -> Findings:
    """Take away what only a page could justify: rhythm, chord figures, and the summaries a mark would be made from."""
    summary_keys = ("median_abs_cents", "p90_abs_cents", "mean_cents")
    shares = ("share_within_5", "share_within_10", "share_within_20")
    nearest = {key: found.pitch[key] for key in (*summary_keys, *shares)}
    pitch = {
        **found.pitch,
        **dict.fromkeys((*summary_keys, *shares)),
        "nearest_semitone": nearest,
        "why_null": NO_NOTATION,
        "chord_figures": [],
        "trace": trace,
    }
    musicianship = {
        **found.musicianship,
        "evenness_median": None,
        "evenness_between_breaths": found.musicianship["evenness_median"],
        "why_null": NO_NOTATION,
    }
    notes = tuple(
        replace(
            note,
            timing_ms=None,
            timing_beats=None,
            why_no_timing=NO_RHYTHM,
            length_ratio=None,
            sounding_ratio=None,
            beat=0.0,
        )
        for note in found.notes
    )
    return replace(
        found,
        notes=notes,
        tempo_bpm_fitted=None,
        tempo_bpm_marked=None,
        pitch={**pitch, "why_no_mark": NO_MARK},
        rhythm={**empty_rhythm(NO_RHYTHM), "why_no_mark": NO_MARK},
        musicianship={**musicianship, "why_no_mark": NO_MARK},
        tone={**found.tone, "why_no_mark": NO_MARK},
        warnings=(NO_NOTATION[0].upper() + NO_NOTATION[1:] + ".", *found.warnings),
    )
