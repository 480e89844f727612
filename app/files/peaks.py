"""The waveform a player draws."""

import numpy as np

from app.files.audio import FloatSamples

COLUMNS = 1000  # our choice: more than a tablet has pixels to spare for it


def peaks(samples: FloatSamples, columns: int = COLUMNS) -> list[float]:
    """The greatest absolute value in each of ``columns`` equal parts of the take, 0 to 1, three decimals.

    Shorter takes than ``columns`` samples give one value per sample.
    """
    columns = min(columns, samples.size)
    if columns == 0:
        return []
    starts = np.linspace(0, samples.size, columns, endpoint=False).astype(np.int64)
    highest = np.maximum(np.maximum.reduceat(samples, starts), -np.minimum.reduceat(samples, starts))
    return [round(min(1.0, float(value)), 3) for value in highest]
