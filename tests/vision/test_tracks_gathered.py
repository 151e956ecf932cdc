"""Rows of a film in arrays: what turns out late to have been something else is taken out of them too."""

from collections.abc import Iterator

import numpy as np

from fitwright.vision.crew import LAST_ROWS
from fitwright.vision.tracks import SETTLED, Row, gathered

FRAMES, POINTS = 3 * SETTLED + 17, 4


def rows(disowned: list[int]) -> Iterator[Row]:
    """Each row `LAST_ROWS` frames old may still change, as a crew changes it."""
    told: list[Row] = []
    for k in range(FRAMES):
        told.append((k / 60, np.full((POINTS, 2), float(k)), np.full((POINTS, 2), 0.05)))
        yield told[k]
        if k in disowned:
            told[k - LAST_ROWS + 1][1][2] = np.nan


def test_every_row_is_there_in_order_with_what_was_taken_back_after_it_was_told():
    disowned = [LAST_ROWS, SETTLED, SETTLED + LAST_ROWS, 2 * SETTLED, FRAMES - 1]
    times, uv, u = gathered(rows(disowned))
    assert times.tolist() == [k / 60 for k in range(FRAMES)]
    assert u.shape == (FRAMES, POINTS, 2)
    gone = [k - LAST_ROWS + 1 for k in disowned]
    assert np.flatnonzero(np.isnan(uv[:, 2, 0])).tolist() == gone
    assert np.array_equal(uv[:, 1, 0], np.arange(FRAMES))
