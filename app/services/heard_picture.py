"""The picture of a take without notation for leader and panel: drawn by the code that draws it on the sheet."""

from collections.abc import Mapping
from typing import Any

from app.domain.findings import findings_from_dict
from app.sheets.sound_trace import sound_trace, trace_picture


def is_heard_alone(payload: Mapping[str, Any]) -> bool:
    """Whether stored findings are of a piece that nobody typed in."""
    return not payload.get("notated", True)


def picture(payload: Mapping[str, Any]) -> str | None:
    """SVG of stored findings; None where the piece has notation, whose notes the screen draws lanes of."""
    if not is_heard_alone(payload):
        return None
    trace = sound_trace(findings_from_dict(dict(payload)))
    return trace_picture(trace, narrow=False).svg if trace is not None else None


def without_trace(payload: Mapping[str, Any]) -> dict[str, Any]:
    """The findings without the trace that the picture is drawn from: thousands of figures no screen reads."""
    if not is_heard_alone(payload):
        return dict(payload)
    pitch = {key: value for key, value in payload["pitch"].items() if key != "trace"}
    return {**payload, "pitch": pitch}
