"""Tables of marks for the judging tests."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from app.domain.panel import MarksTable, PanelAdjudicator, PanelCandidate, PanelMark

LETTERS = "ABCDEFGHIJKL"


@pytest.fixture(scope="session")
def table_of() -> Callable[..., MarksTable]:
    """Makes a table from marks [n, k] or [n, k, captions] or [n, k, pieces, captions]; NaN (or None) is no mark.

    Candidates are "c0", "c1", ... with blind numbers "10", "11", ...; adjudicators "a0", ... with letters A, B, ...
    A pair without any mark is recused when ``recused`` is true.
    """

    def make(
        marks: Sequence[object] | np.ndarray,
        *,
        captions: Sequence[str] | None = None,
        pieces: Sequence[str] = ("all",),
        recused: bool = True,
        playing_order: bool = False,
    ) -> MarksTable:
        x = np.array(marks, dtype=float)
        x = x[:, :, None, None] if x.ndim == 2 else x[:, :, None, :] if x.ndim == 3 else x
        n, k, p, c = x.shape
        names = tuple(captions or (("tone", "pitch", "rhythm", "musicianship")[:c] if c > 1 else ("overall",)))
        return MarksTable(
            candidates=tuple(PanelCandidate(f"c{i}", str(10 + i), i + 1 if playing_order else None) for i in range(n)),
            adjudicators=tuple(PanelAdjudicator(f"a{j}", LETTERS[j]) for j in range(k)),
            piece_ids=tuple(pieces),
            captions=names,
            marks=tuple(
                PanelMark(f"c{i}", f"a{j}", pieces[q], names[r], float(x[i, j, q, r]))
                for i in range(n)
                for j in range(k)
                for q in range(p)
                for r in range(c)
                if not np.isnan(x[i, j, q, r])
            ),
            recusals=frozenset(
                (f"a{j}", f"c{i}") for i in range(n) for j in range(k) if recused and np.isnan(x[i, j]).all()
            ),
        )

    return make


@pytest.fixture(scope="session")
def shrout_fleiss() -> np.ndarray:
    """Six targets by four judges, Shrout & Fleiss 1979, Psychological Bulletin 86:420, table 2."""
    return np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float)
