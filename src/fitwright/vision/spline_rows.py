"""Rows of a matrix that each hold four neighbouring entries: samples by coefficients of a cubic spline.

A general sparse matrix does the same some twenty times as slowly where there are hundreds of rows only: it checks and
rebuilds its index at every step.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from fitwright.quantity import Floats

WIDE = 4


@dataclass(frozen=True)
class SplineRows:
    """(m, K) matrix: row i holds `values[i]` (m, 4) at columns `first[i]` (m,), which never falls, and behind it."""

    values: Floats
    first: NDArray[np.intp]
    columns: int

    @staticmethod
    def of_spline(times: Floats, knots: Floats) -> SplineRows:
        """The cubic B-splines over uniform or other `knots` (K + 4,) at rising times (T,) between the inner ones."""
        first = np.clip(np.searchsorted(knots, times, side="right") - WIDE, 0, len(knots) - 2 * WIDE)
        design = BSpline.design_matrix(times, knots, WIDE - 1)
        return SplineRows(design.data.reshape(-1, WIDE), first.astype(np.intp), len(knots) - WIDE)

    def rows(self, keep: NDArray[np.intp]) -> SplineRows:
        """Some of the rows, in order; one may come more than once."""
        return SplineRows(self.values[keep], self.first[keep], self.columns)

    def scaled(self, rows: Floats | None = None, columns: Floats | None = None) -> SplineRows:
        """Each row times its factor (m,), each column times its own (K,)."""
        values = self.values
        if rows is not None:
            values = values * rows[:, None]
        if columns is not None:
            values = values * columns[self._at]
        return SplineRows(values, self.first, self.columns)

    def times(self, x: Floats) -> Floats:
        """(m,) product with (K,)."""
        return np.asarray(np.einsum("ij,ij->i", self.values, x[self._at]))

    def transposed_times(self, x: Floats) -> Floats:
        """(K, ...) product of the transposed with (m, ...)."""
        columns = x.reshape(len(x), -1)
        sums = self._summed(self.values[:, :, None] * columns[:, None, :])
        out = np.zeros((self.columns, columns.shape[1]))
        for k in range(WIDE):
            out[self._groups[0] + k] += sums[:, k]
        return out.reshape(self.columns, *x.shape[1:])

    @property
    def square_band(self) -> Floats:
        """(4, K) diagonals of the transposed times itself, as `solveh_banded(..., lower=True)` takes them."""
        sums = self._summed(self.values[:, :, None] * self.values[:, None, :])
        out = np.zeros((WIDE, self.columns))
        for below in range(WIDE):
            for k in range(WIDE - below):
                out[below, self._groups[0] + k] += sums[:, k, k + below]
        return out

    @cached_property
    def _at(self) -> NDArray[np.intp]:
        return self.first[:, None] + np.arange(WIDE)

    @cached_property
    def _groups(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """First columns that occur, and the row from which each of them does."""
        return np.unique(self.first, return_index=True)

    def _summed(self, products: Floats) -> Floats:
        """Sums of (m, ...) over the rows with the same columns."""
        return np.add.reduceat(products, self._groups[1], axis=0)
