"""The four families when nothing can be said: every key is there, every value null or empty, with the reason."""

from typing import Any


def empty_pitch(why: str) -> dict[str, Any]:
    """The ``pitch`` family with nothing in it."""
    keys = ("median_abs_cents", "p90_abs_cents", "mean_cents", "share_within_5", "share_within_10", "share_within_20")
    return {
        **dict.fromkeys(keys),
        "notes_judged": 0,
        "why_null": why,
        "drift_cents_per_min": None,
        "why_no_drift": why,
        "tendencies": [],
        "return_notes": [],
        "chord_figures": [],
        "drone": None,
        "vibrato": None,
    }


def empty_rhythm(why: str) -> dict[str, Any]:
    """The ``rhythm`` family with nothing in it."""
    nothing = {"median": None, "count": 0}
    return {
        **dict.fromkeys(("median_abs_ms", "p90_abs_ms", "median_abs_beats", "p90_abs_beats")),
        "notes_judged": 0,
        "why_null": why,
        "steadiness_percent": None,
        "drift_percent_per_min": None,
        "why_no_drift": why,
        "tempo_curve": [],
        "held_notes": [],
        "landings": [],
        "trills": [],
        "runs": [],
        "articulation": {
            "slurred_gap_ms": dict(nothing),
            "tongued_gap_ms": dict(nothing),
            "staccato_ratio": dict(nothing),
        },
    }


def empty_musicianship(why: str) -> dict[str, Any]:
    """The ``musicianship`` family with nothing in it."""
    return {"phrases": [], "evenness_median": None, "why_null": why, "contrasts": [], "level_range_db": None}


def empty_tone(why: str) -> dict[str, Any]:
    """The ``tone`` family with nothing in it."""
    keys = ("hnr_db", "centroid_f0", "attack_ms", "attack_noise_share", "steadiness_cents", "steadiness_db")
    out: dict[str, Any] = dict.fromkeys(keys)
    return {**out, "uncertainty": dict(out), "register_evenness_db": None, "cracked": [], "why_null": why}
