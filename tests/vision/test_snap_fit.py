"""The compiled fit of a disc against scipy's least squares on a model that is written anew (simulated discs)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.special import erfc

from fitwright.vision.snap_kernel import DAMPING, covers, improved, levels, slopes

AT = np.mgrid[0:61, 0:61].reshape(2, -1)[::-1].astype(float)
LOW = np.array([26, 26, 1.2, 1.2, 0.25, -30, -30.0])
HIGH = np.array([34, 34, 40, 4.0, 3, 30, 30.0])
DISCS = {
    "still": [30.3, 29.8, 5.2, 1.7, 0.8, 0.0, 0.0],
    "smeared along": [30.3, 29.8, 5.2, 1.7, 0.8, 9.3, 1.4],
    "smeared across": [29.6, 30.4, 7.1, 1.5, 1.2, -3.0, 12.2],
    "small, no ring": [30.1, 30.2, 3.1, 1.0, 0.7, 4.0, -2.0],
}
RINGED, BARE = np.array([60.0, -110.0, 120.0]), np.array([-70.0, 120.0])


def cover(q, radius):
    """Coverage by a disc, averaged along its sweep at the nodes that the model has."""
    blur = np.array(q[5:7])
    n = 1 + 2 * int(min(np.hypot(*blur) / 1.5, 8))
    sweep = (np.arange(n) + 0.5) / n - 0.5
    away = [np.hypot(*(AT - np.array(q[:2])[:, None] - t * blur[:, None])) for t in sweep]
    return np.mean([0.5 * erfc((d - radius) / (np.sqrt(2) * q[4])) for d in away], axis=0)


def parts(q, ringed):
    return [cover(q, q[3] * q[2])] * ringed + [cover(q, q[2]), np.ones(AT.shape[1])]


def picture(q, ringed):
    noise = np.random.default_rng(5).normal(0, 2.0, AT.shape[1])
    return (RINGED if ringed else BARE) @ np.array(parts(q, ringed)) + noise


def sought(name):
    q = np.array(DISCS[name])
    ringed = bool(q[3] > 1)
    free = np.array([0, 1, 2, *([3] * ringed), 4, *([5, 6] if np.any(q[5:]) else [])])
    start = q.copy()
    start[free] += np.array([0.8, -0.7, 0.6, 0.15, 0.2, 1.5, -1.0])[free]
    return q, ringed, free, np.clip(start, LOW, HIGH)


@pytest.mark.parametrize("name", DISCS)
def test_the_fit_ends_where_scipys_does(name):
    q, ringed, free, start = sought(name)
    x, trust = picture(q, ringed), np.where(np.hypot(*(AT - q[:2, None])) < 14, 1.0, 0.25)

    def left_over(both):
        at = start.copy()
        at[free] = both[: len(free)]
        return trust * (x - both[len(free) :] @ np.array(parts(at, ringed)))

    first = RINGED if ringed else BARE
    wide = np.full(len(first), np.inf)
    theirs = least_squares(
        left_over, [*start[free], *first], bounds=([*LOW[free], *-wide], [*HIGH[free], *wide]), x_scale="jac",
        xtol=1e-12, ftol=1e-12, gtol=1e-12,
    ).x  # fmt: skip
    ours, _ = improved(*AT, x, trust**2, start, ringed, free, LOW, HIGH, 60, DAMPING)
    assert ours[free] == pytest.approx(theirs[: len(free)], abs=2e-3)
    assert levels(covers(*AT, ours, ringed), x, trust**2) == pytest.approx(theirs[len(free) :], abs=0.2)
    assert np.hypot(*(ours - q)[:2]) < 0.1


@pytest.mark.parametrize("name", DISCS)
def test_the_slopes_are_those_of_the_picture(name):
    q, ringed, free, _ = sought(name)
    w = RINGED if ringed else BARE
    told = slopes(*AT, q, ringed, w)
    for j in free:
        step = np.eye(7)[j] * 1e-5
        there, here = (w @ np.array(parts(q + way * step, ringed)) for way in (1, -1))
        assert told[j] == pytest.approx((there - here) / 2e-5, abs=2e-4)


def test_a_fit_goes_on_from_where_it_stopped():
    q, ringed, free, start = sought("smeared along")
    x, trust = picture(q, ringed), np.ones(AT.shape[1])
    whole, _ = improved(*AT, x, trust**2, start, ringed, free, LOW, HIGH, 7, DAMPING)
    part, damping = improved(*AT, x, trust**2, start, ringed, free, LOW, HIGH, 3, DAMPING)
    assert np.abs(part - whole).max() > 1e-3
    rest, _ = improved(*AT, x, trust**2, part, ringed, free, LOW, HIGH, 4, damping)
    assert rest == pytest.approx(whole, abs=1e-9)


def test_a_fit_stays_within_its_bounds_and_is_the_best_there():
    q, ringed, free, start = sought("still")
    x, trust, high = picture(q, ringed), np.ones(AT.shape[1]), HIGH.copy()
    high[2] = 4.9  # the disc has 5.2
    start[2] = 4.5
    ours, _ = improved(*AT, x, trust**2, start, ringed, free, LOW, high, 60, DAMPING)
    assert ours[2] == 4.9
    others = free[free != 2]
    best, _ = improved(*AT, x, trust**2, ours, ringed, others, LOW, high, 60, DAMPING)
    assert ours == pytest.approx(best, abs=2e-3)
