"""A small piece for a B-flat clarinet and takes of it, clean but for what a test plants."""

from typing import Any

from app.domain.findings import Findings, MeasuredNote
from app.domain.piece import Bar, Ornament, Piece, PieceNote, TempoMark
from app.sheets.findings_in_words import findings_in_words
from app.sheets.models import Exercise
from app.sheets.practice import practice_plan

# Eight bars of 6/8 in D minor for a B-flat clarinet, dotted quarter = 54: per bar a dotted quarter and three eighths.
PITCHES = ("D5", 74), ("F5", 77), ("A5", 81), ("Bb5", 82)


def piece(*, repeats: bool = False) -> Piece:
    bars, notes = [], []
    for index in range(8):
        number = index + 1
        second = repeats and index >= 4
        bars.append(
            Bar(index, str(number - 4 if second else number), 3.0 * index, 3.0, 6, 8, 1.5, -1, 2 if second else 1)
        )
        for k, (name, midi) in enumerate(PITCHES):
            engraved = 4 * (index - 4 if second else index) + k
            notes.append(
                PieceNote(
                    note_id=f"n{4 * index + k}",
                    bar=bars[-1].number,
                    bar_index=index,
                    beat=1.0 if k == 0 else 2.0 + (k - 1) / 3,
                    onset_quarters=3.0 * index + (0.0 if k == 0 else 1.5 + 0.5 * (k - 1)),
                    length_quarters=1.5 if k == 0 else 0.5,
                    written_pitch=name,
                    written_midi=midi,
                    sounding_midi=midi - 2,
                    ornament=Ornament("trill", (midi,)) if (index, k) == (2, 0) else None,
                    tied=k == 0,
                    engraved_ids=(f"e{engraved}",),
                )
            )
    return Piece(
        title="Test",
        instrument="clarinet-bb",
        transposition_semitones=-2,
        notes=tuple(notes),
        bars=tuple(bars),
        tempo_marks=(TempoMark(0.0, 1.5, 54.0),),
        tonic_written="D",
        mode="minor",
    )


def findings(whole: Piece, **changes: Any) -> Findings:
    """A clean take at the mark; ``notes`` changes single notes, the families' keys are merged in."""
    changed_notes: dict[str, dict[str, Any]] = changes.pop("notes", {})
    quarter = whole.tempo_marks[0].quarter_sec
    notes = []
    for n in whole.notes:
        fields: dict[str, Any] = {
            "note_id": n.note_id,
            "bar": n.bar,
            "beat": n.beat,
            "written_pitch": n.written_pitch,
            "sounding_midi": n.sounding_midi,
            "status": "played",
            "onset_sec": 1.0 + n.onset_quarters * quarter,
            "offset_sec": 1.0 + (n.onset_quarters + n.length_quarters) * quarter,
            "heard_midi": n.sounding_midi,
            "deviation_cents": 1.0,
            "deviation_uncertainty_cents": 1.0,
            "timing_ms": 0.0,
            "timing_beats": 0.0,
            "level_db": -20.0,
        }
        notes.append(MeasuredNote(**{**fields, **changed_notes.get(n.note_id, {})}))
    families: dict[str, dict[str, Any]] = {
        "pitch": {"median_abs_cents": 3.0, "share_within_10": 0.95, "notes_judged": 32, "mean_cents": 1.0},
        "rhythm": {"median_abs_ms": 8.0, "tempo_curve": [[1.0, 54.0], [20.0, 54.0]]},
        "musicianship": {"phrases": []},
        "tone": {"cracked": []},
    }
    for family in families:
        families[family].update(changes.pop(family, {}))
    return Findings(
        a4_hz_used=440.0,
        a4_hz_fitted=440.2,
        tempo_bpm_fitted=54.0,
        tempo_bpm_marked=54.0,
        notes=tuple(notes),
        extra_notes=(),
        warnings=(),
        algorithm_version="test",
        **{"breaks": (), **families, **changes},
    )


def held(note_id: str, bar: str, ratio: float, doubt: float = 0.01) -> dict[str, Any]:
    return {
        "note_id": note_id,
        "bar": bar,
        "written_pitch": "D5",
        "notated_beats": 1.0,
        "heard_beats": ratio,
        "ratio": ratio,
        "lost_beats": 1.0 - ratio,
        "uncertainty_ratio": doubt,
    }


def tendency(pitch: str, midi: int, cents: float, count: int = 8, doubt: float = 1.5) -> dict[str, Any]:
    return {
        "written_pitch": pitch,
        "sounding_midi": midi,
        "median_cents": cents,
        "count": count,
        "uncertainty_cents": doubt,
    }


def pair(cents: float, doubt: float = 1.5) -> dict[str, Any]:
    return {
        "first_note_id": "n2",
        "second_note_id": "n22",
        "written_pitch": "A5",
        "bar_first": "1",
        "bar_second": "6",
        "cents": cents,
        "uncertainty_cents": doubt,
        "notes_between": 19,
        "sec_between": 9.0,
    }


def figure(just: float, equal: float, quality: str = "minor") -> dict[str, Any]:
    members = (("n0", "D5", 1, 0.0, 0.0), ("n1", "F5", 3, just, equal), ("n2", "A5", 5, -1.0, 1.0))
    return {
        "note_ids": ["n0", "n1", "n2"],
        "bar_first": "1",
        "bar_last": "1",
        "name": f"D {quality}",
        "root_written": "D",
        "quality": quality,
        "notes": [
            {"note_id": i, "written_pitch": p, "degree": d, "just_cents": j, "equal_cents": e, "uncertainty_cents": 1.0}
            for i, p, d, j, e in members
        ],
    }


def only(plan: tuple[Exercise, ...], kind: str) -> Exercise:
    found = [e for e in plan if e.kind == kind]
    assert len(found) == 1, [e.kind for e in plan]
    return found[0]


def called_for(whole: Piece, found: Findings) -> tuple[Exercise, ...]:
    """The exercises that a finding calls for, without the gentle ones."""
    return tuple(e for e in practice_plan(whole, found) if e.weight > 0.1)


def sentences(whole: Piece, found: Findings) -> str:
    return " ".join(f.sentence for f in findings_in_words(whole, found))


def phrase(**changed: Any) -> dict[str, Any]:
    """Bars 1 to 4 of :func:`piece` with the loudest note where the peak is marked, but for what is ``changed``."""
    return {
        "start_note_id": "n0",
        "end_note_id": "n15",
        "bar_first": "1",
        "bar_last": "4",
        "guessed": False,
        "peak_marked_note_id": "n10",
        "loudest_note_id": "n10",
        "loudest_bar": "3",
        "peak_distance_beats": 0.0,
        "bumps": [],
    } | changed


#: It was loudest in bar 2, with a bump there.
TOO_EARLY = phrase(
    loudest_note_id="n4",
    loudest_bar="2",
    peak_distance_beats=-3.0,
    bumps=[{"note_id": "n6", "bar": "2", "db": 4.2}],
)
