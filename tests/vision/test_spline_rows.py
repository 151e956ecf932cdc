"""Rows with four entries each, against the general sparse matrix of the same spline."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.sparse import csr_array

from fitwright.vision.spline_rows import SplineRows

KNOTS = np.concatenate([[-1.5, -1.0, -0.5], np.linspace(0, 4, 9), [4.5, 5.0, 5.5]])


@pytest.fixture
def both() -> tuple[SplineRows, csr_array]:
    """The same rows twice: a hole in time leaves some columns without a row, and some rows come twice."""
    rng = np.random.default_rng(3)
    times = np.sort(np.concatenate([rng.uniform(0, 1.1, 40), rng.uniform(3.2, 4 - 1e-9, 30)]))
    keep = np.sort(rng.integers(0, len(times), 90))
    factor = rng.normal(0, 1, 90)
    general = csr_array(BSpline.design_matrix(times, KNOTS, 3))[keep].multiply(factor[:, None])
    return SplineRows.of_spline(times, KNOTS).rows(keep).scaled(factor), csr_array(general)


def test_products_are_those_of_the_general_matrix(both):
    rows, general = both
    rng = np.random.default_rng(5)
    x, y, many = rng.normal(0, 1, rows.columns), rng.normal(0, 1, 90), rng.normal(0, 1, (90, 3))
    assert rows.times(x) == pytest.approx(general @ x)
    assert rows.transposed_times(y) == pytest.approx(general.T @ y)
    assert rows.transposed_times(many) == pytest.approx(general.T @ many)


def test_columns_are_scaled_each_by_its_own(both):
    rows, general = both
    factor = np.arange(1.0, rows.columns + 1)
    assert rows.scaled(columns=factor).times(np.ones(rows.columns)) == pytest.approx(general @ factor)


def test_the_band_is_that_of_the_square(both):
    rows, general = both
    square = (general.T @ general).toarray()
    for k in range(4):
        assert rows.square_band[k, : rows.columns - k] == pytest.approx(np.diagonal(square, -k))
