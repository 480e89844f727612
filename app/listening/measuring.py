"""One take and its piece -> findings. The front door of the listening room; pure: no file, no clock, no database.

How it measures, in short (each module says more, with its sources):

* ``features`` and ``following`` find where each notated note sounds, what was wrong, left out or added, and where the
  playing broke off. Everything below works from that.
* Pitch (``note_pitch``): energy-weighted mean over a note's steady part and whole vibrato cycles (Geringer 2012),
  against equal temperament at the declared A4 (ISO 16: 440 Hz); the take's own A4 is where its notes lie
  closest together.
* Rhythm (``pulse``): a smooth tempo curve through the played onsets that single late notes don't move; a held note is
  read against a curve fitted without it.
* Musicianship (``loudness``, ``phrase``): ITU-R BS.1770 loudness per note; rise-then-fall arcs by isotonic regression.
* Tone (``tone``): harmonics-to-noise ratio (Boersma 1993), harmonic centroid, attack, noise in the attack, steadiness.

What can't be told is None with a reason; a take that is not this piece gets no findings but a sentence.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from app.domain.errors import BadAudio
from app.domain.findings import UNPITCHED, Findings, MeasuredNote
from app.domain.piece import Piece
from app.domain.units import A4_HZ
from app.listening import note_pitch
from app.listening.features import features_of, to_internal_rate
from app.listening.followed import Features, Followed
from app.listening.heard import Heard
from app.listening.intonation import fitted_reference, pitch_family
from app.listening.loudness import KEnergy, k_energy
from app.listening.note_pitch import NotePitch, measure_note, settled_part
from app.listening.nothing import empty_musicianship, empty_pitch, empty_rhythm, empty_tone
from app.listening.octaves import settle_octaves
from app.listening.phrase import musicianship_family, note_level_db
from app.listening.pitch_tracking import RATE_HZ
from app.listening.recognising import follow_piece
from app.listening.rhythm import fitted_tempo_bpm, rhythm_family
from app.listening.settings import ListeningSettings, at_tempo
from app.listening.timing import NOT_PLAYED, NoteTiming, Timing, onset_doubts, read_timing
from app.listening.tone import tone_family
from app.listening.version import ALGORITHM_VERSION
from app.listening.warning import warnings_of

Progress = Callable[[float, str], None]

SHORTEST_TAKE_SEC = 0.5
LOWEST_RATE_HZ = 8000
SILENT_PEAK = 1e-4  # -80 dB against full scale: our choice


def measure(
    samples: NDArray[np.float32],
    sample_rate: int,
    piece: Piece,
    settings: ListeningSettings | None = None,
    progress: Progress | None = None,
) -> Findings:
    """Everything measured from one take of ``piece``.

    ``samples`` [n] mono, full scale 1, at ``sample_rate`` Hz. ``progress`` is called with a share from 0 to 1 and a
    word.
    Raises :class:`BadAudio` when the take can't be measured at all; a take of something else comes back with
    ``usable`` False and the reason in ``warnings``.
    """
    settings = settings or ListeningSettings()
    report = progress or (lambda share, text: None)
    check_samples(samples, sample_rate)
    piece = at_tempo(piece, settings.tempo_bpm)
    report(0.0, "listening")
    signal = to_internal_rate(samples, sample_rate)
    features = features_of(signal)
    report(0.4, "following the notes")
    followed = follow_piece(
        signal,
        RATE_HZ,
        features,
        piece,
        a4_hz=A4_HZ if settings.a4_hz == "fit" else settings.a4_hz,
        progress=lambda share, text: report(0.4 + 0.4 * share, text),
    )
    if followed.usable:
        features = settle_octaves(features, piece, followed)
    report(0.8, "measuring the notes")
    findings = findings_of(samples, sample_rate, piece, settings, features, followed)
    report(1.0, "measured")
    return findings


def check_samples(samples: NDArray[np.floating], sample_rate: int) -> None:
    """Raises :class:`BadAudio` unless ``samples`` is a mono take that holds sound."""
    if samples.ndim != 1:
        raise BadAudio("The take must come as one channel; mix it down first.", channels=int(samples.ndim))
    if sample_rate < LOWEST_RATE_HZ:
        raise BadAudio(
            f"The take has {sample_rate} samples a second; record with at least {LOWEST_RATE_HZ}.",
            sample_rate=sample_rate,
        )
    if samples.size < SHORTEST_TAKE_SEC * sample_rate:
        raise BadAudio(f"The take lasts {samples.size / sample_rate:.2f} seconds; that is too short to measure.")
    if not np.isfinite(samples).all():
        raise BadAudio("The take holds numbers that are no sound; record it again.")
    if float(np.abs(samples).max()) < SILENT_PEAK:
        raise BadAudio("The take is silent; check the microphone and record it again.")


def findings_of(
    samples: NDArray[np.float32],
    sample_rate: int,
    piece: Piece,
    settings: ListeningSettings,
    features: Features,
    followed: Followed,
) -> Findings:
    """The findings of a take that has been followed through ``piece`` (tempo settings already applied)."""
    duration = samples.shape[0] / sample_rate
    marked = None if piece.tempo_assumed else piece.tempo_marks[0].beats_per_minute
    if not followed.usable:
        return _unusable(followed, settings, marked, duration)
    energy = k_energy(samples, sample_rate)
    pitches = tuple(_pitch_of(piece, followed, features, i) for i in range(len(piece.notes)))
    lengths = np.array([_length(followed, i) for i in range(len(piece.notes))])
    fitted = fitted_reference(_counting(piece, followed, pitches), lengths)
    used = float(settings.a4_hz) if settings.a4_hz != "fit" else (fitted or A4_HZ)
    doubts = onset_doubts(piece, followed, features)
    timing = read_timing(piece, followed, doubts, features if settings.click else None)
    levels = tuple(_level_of(piece, followed, features, energy, i) for i in range(len(piece.notes)))
    heard = Heard(
        samples=samples,
        sample_rate=sample_rate,
        piece=piece,
        settings=settings,
        features=features,
        followed=followed,
        energy=energy,
        pitches=pitches,
        levels_db=levels,
        a4_hz_used=used,
        a4_hz_fitted=fitted,
    )
    unpitched = all(note.unpitched for note in piece.notes)
    return Findings(
        a4_hz_used=used,
        a4_hz_fitted=fitted,
        tempo_bpm_fitted=fitted_tempo_bpm(piece, timing),
        tempo_bpm_marked=marked,
        notes=tuple(_measured_note(heard, timing, i) for i in range(len(piece.notes))),
        extra_notes=followed.extra,
        breaks=followed.breaks,
        pitch=empty_pitch("unpitched notes have no pitch to judge") if unpitched else pitch_family(heard),
        rhythm=rhythm_family(piece, followed, features, timing, doubts),
        musicianship=musicianship_family(piece, followed, levels),
        tone=empty_tone("unpitched notes: tone is not judged")
        if unpitched
        else tone_family(samples, sample_rate, piece, followed, features, pitches, levels),
        warnings=warnings_of(heard, timing),
        algorithm_version=ALGORITHM_VERSION,
        duration_sec=duration,
    )


def _unusable(
    followed: Followed, settings: ListeningSettings, marked_bpm: float | None, duration_sec: float
) -> Findings:
    why = followed.warnings[0] if followed.warnings else "The take could not be followed through this piece."
    return Findings(
        a4_hz_used=A4_HZ if settings.a4_hz == "fit" else float(settings.a4_hz),
        a4_hz_fitted=None,
        tempo_bpm_fitted=None,
        tempo_bpm_marked=marked_bpm,
        notes=(),
        extra_notes=(),
        breaks=(),
        pitch=empty_pitch(why),
        rhythm=empty_rhythm(why),
        musicianship=empty_musicianship(why),
        tone=empty_tone(why),
        warnings=followed.warnings or (why,),
        algorithm_version=ALGORITHM_VERSION,
        usable=False,
        duration_sec=duration_sec,
    )


def _pitch_of(piece: Piece, followed: Followed, features: Features, index: int) -> NotePitch:
    """Pitch of one notated note, or the reason why there is none."""
    note, heard = piece.notes[index], followed.notes[index]
    if heard.status == "omitted" or heard.onset_sec is None or heard.offset_sec is None:
        return NotePitch(None, note_pitch.OMITTED)
    if note.unpitched:
        return NotePitch(None, UNPITCHED)
    if note.chord_sounding_midi:
        return NotePitch(None, note_pitch.DOUBLE_STOP)
    if note.ornament is not None and note.ornament.sounding_midi:
        return NotePitch(None, "an ornament moves between pitches")
    return measure_note(
        features,
        heard.onset_sec,
        heard.offset_sec,
        heard.heard_midi if heard.heard_midi is not None else note.sounding_midi,
        followed.tuning_cents,
        slurred=note.slurred_from_previous,
    )


def _level_of(piece: Piece, followed: Followed, features: Features, energy: KEnergy, index: int) -> float | None:
    """Loudness of one note (LUFS) without attack and release; None when it was not played or is buried."""
    heard = followed.notes[index]
    if heard.onset_sec is None or heard.offset_sec is None:
        return None
    a, b = np.searchsorted(features.times_sec, [heard.onset_sec, heard.offset_sec])
    start, end = settled_part(
        features.times_sec[a:b],
        features.level_db[a:b],
        heard.onset_sec,
        heard.offset_sec,
        slurred=piece.notes[index].slurred_from_previous,
    )
    return note_level_db(energy, start, end, features.floor_db)


def _counting(piece: Piece, followed: Followed, pitches: tuple[NotePitch, ...]) -> tuple[NotePitch, ...]:
    """The pitches that speak for the take's reference: right notes that are no grace notes."""
    silent = NotePitch(None)
    return tuple(
        p if followed.notes[i].status == "played" and not piece.notes[i].grace else silent
        for i, p in enumerate(pitches)
    )


def _length(followed: Followed, index: int) -> float:
    note = followed.notes[index]
    return note.offset_sec - note.onset_sec if note.onset_sec is not None and note.offset_sec is not None else 0.0


def _measured_note(heard: Heard, timing: Timing, index: int) -> MeasuredNote:
    note, followed, pitch = heard.piece.notes[index], heard.followed.notes[index], heard.pitches[index]
    when: NoteTiming = timing.notes[index]
    omitted = followed.status == "omitted"
    return MeasuredNote(
        note_id=note.note_id,
        bar=note.bar,
        beat=note.beat,
        written_pitch=note.written_pitch,
        sounding_midi=note.sounding_midi,
        status=followed.status,
        onset_sec=followed.onset_sec,
        offset_sec=followed.offset_sec,
        heard_midi=followed.heard_midi,
        deviation_cents=heard.deviation_cents(index),
        deviation_uncertainty_cents=pitch.uncertainty_cents,
        why_no_cents=pitch.why,
        timing_ms=None if when.timing_sec is None else 1000.0 * when.timing_sec,
        timing_beats=None if when.timing_sec is None or not when.beat_sec else when.timing_sec / when.beat_sec,
        why_no_timing=NOT_PLAYED if omitted else when.why,
        length_ratio=when.length_ratio,
        sounding_ratio=when.sounding_ratio,
        level_db=heard.levels_db[index],
        grace=note.grace,
        spread_cents=pitch.spread_cents,
        slope_cents_per_sec=pitch.slope_cents_per_sec,
        scoop_cents=pitch.scoop_cents,
        vibrato_rate_hz=pitch.vibrato_rate_hz,
        vibrato_extent_cents=pitch.vibrato_extent_cents,
        gap_ms=None if when.gap_sec is None else 1000.0 * when.gap_sec,
    )
