"""Learning shares: against numerical integration, against closed-form random effects, and on simulated riders."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import multivariate_normal, norm

from fitwright.linkage.learning import Pair, from_riders, updated
from fitwright.linkage.response import NAMES, ResponseModel
from fitwright.quantity import Measured

N = len(NAMES)


def only(index: int, slope: float) -> tuple[float, ...]:
    return tuple(slope if i == index else 0.0 for i in range(N))


def knee(slope: float, seen: float, u: float) -> Pair:
    return Pair(only(0, slope), Measured(seen, u, "deg"))


def test_update_equals_the_posterior_by_integration():
    """One share: conjugate normal update against numerical integration of prior × likelihood (scipy.integrate)."""
    pairs = [knee(-4.1, -2.6, 1.4), knee(2.2, 1.5, 1.4)]

    def density(share: float) -> float:
        p = norm.pdf(share, 0.48, 0.15)
        for pair in pairs:
            p *= norm.pdf(pair.seen_deg.value, share * pair.by_share[0], pair.seen_deg.u)
        return float(p)

    mass = quad(density, -2, 3)[0]
    mean = quad(lambda s: s * density(s), -2, 3)[0] / mass
    variance = quad(lambda s: (s - mean) ** 2 * density(s), -2, 3)[0] / mass
    after = updated(ResponseModel(), pairs)
    assert after.share("knee_bottom").value == pytest.approx(mean, abs=1e-7)
    assert after.share("knee_bottom").u == pytest.approx(math.sqrt(variance), abs=1e-7)
    assert after.pairs == 2
    # the ankle's share is one whole with the knee's, so it learns too, the other way round
    assert (after.share("ankle_bottom").value - 0.21) * (mean - 0.48) < 0
    assert (
        after.share("ankle_top") == ResponseModel().share("ankle_top") or after.share("ankle_top").u == 0.10
    )


def test_all_shares_at_once_equal_the_information_form():
    """Posterior precision Σ⁻¹ + Σ d dᵀ/u², mean by its normal equations (Gelman et al. 2013, section 14.2)."""
    rng = np.random.default_rng(2)
    model = ResponseModel()
    truth = rng.multivariate_normal(model.vector, model.matrix)
    pairs = []
    for _ in range(7):
        row = rng.normal(0, 3, N)
        pairs.append(Pair(tuple(row.tolist()), Measured(float(row @ truth + rng.normal(0, 1.2)), 1.2, "deg")))
    rows, seen = np.array([p.by_share for p in pairs]), np.array([p.seen_deg.value for p in pairs])
    evidence = multivariate_normal(rows @ model.vector, rows @ model.matrix @ rows.T + 1.44 * np.eye(7))
    wider = multivariate_normal(rows @ model.vector, 1.01 * rows @ model.matrix @ rows.T + 1.44 * np.eye(7))
    assert wider.logpdf(seen) < evidence.logpdf(seen)  # these pairs do not ask for a wider prior
    precision = np.linalg.inv(model.matrix) + rows.T @ rows / 1.44
    mean = np.linalg.solve(precision, np.linalg.solve(model.matrix, model.vector) + rows.T @ seen / 1.44)
    after = updated(model, pairs)
    np.testing.assert_allclose(after.vector, mean, atol=1e-10)
    np.testing.assert_allclose(after.matrix, np.linalg.inv(precision), atol=1e-12)


def test_pairs_far_from_the_prior_widen_it_to_what_makes_them_most_likely():
    """The widening against scipy's own minimiser of the marginal likelihood."""
    pairs = [knee(-6.0, -6.4, 1.0), knee(5.0, 5.6, 1.0), Pair(only(2, -4.0), Measured(-6.0, 1.0, "deg"))]
    model = ResponseModel()
    rows, seen = np.array([p.by_share for p in pairs]), np.array([p.seen_deg.value for p in pairs])

    def unlikely(log_s: float) -> float:
        covariance = math.exp(log_s) * rows @ model.matrix @ rows.T + np.eye(3)
        return -float(multivariate_normal(rows @ model.vector, covariance).logpdf(seen))

    s = math.exp(minimize_scalar(unlikely, bounds=(0, 5), method="bounded", options={"xatol": 1e-10}).x)
    assert s > 1.5
    precision = np.linalg.inv(s * model.matrix) + rows.T @ rows
    np.testing.assert_allclose(updated(model, pairs).matrix, np.linalg.inv(precision), rtol=1e-4)


def test_update_learns_a_riders_share_and_nothing_from_nothing():
    rng = np.random.default_rng(3)
    pairs = [knee(r, 0.8 * r + rng.normal(0, 1.0), 1.0) for r in rng.uniform(-5, 5, 60)]
    after = updated(ResponseModel(), pairs).share("knee_bottom")
    assert after.value == pytest.approx(0.8, abs=0.12)
    assert after.u < 0.06
    assert updated(ResponseModel(), []) == ResponseModel()
    assert updated(ResponseModel(), [knee(0.0, 3.0, 1.0)]) == ResponseModel()
    assert updated(ResponseModel(), [knee(2.0, math.nan, 1.0)]) == ResponseModel()


def riders_of(mean: float, scatter: float, n: int, slope: float, u: float, seed: int) -> list[list[Pair]]:
    rng = np.random.default_rng(seed)
    return [[knee(slope, float(slope * s + rng.normal(0, u)), u)] for s in rng.normal(mean, scatter, n)]


def test_without_riders_the_published_prior_stands():
    assert from_riders([]) == ResponseModel()
    assert from_riders([[], [knee(0.0, 1.0, 1.0)]]) == ResponseModel()


def test_known_scatter_gives_the_closed_form_mean():
    """Balanced random effects with known scatter: the common mean's posterior is normal-normal in closed form."""
    slope, u, n = -6.0, 1.4, 40
    riders = riders_of(0.7, 0.15, n, slope, u, 5)
    published = ResponseModel()
    told = from_riders(riders, scatter_worth=1e12)
    means = np.array([r[0].seen_deg.value / slope for r in riders])
    var0, scatter = 0.2 * 0.15**2, 0.8 * 0.15**2
    each = scatter + (u / slope) ** 2
    precision = 1 / var0 + n / each
    mean = (0.48 / var0 + means.sum() / each) / precision
    assert told.share("knee_bottom").value == pytest.approx(mean, abs=1e-5)
    assert told.share("knee_bottom").u == pytest.approx(math.sqrt(scatter + 1 / precision), abs=1e-6)
    assert told.riders == n
    assert told.share("other").u == pytest.approx(published.share("other").u)


def test_scatter_is_that_of_balanced_one_way_random_effects():
    """With next to no prior the estimate is the textbook one: variance of rider means less the error's (ML)."""
    slope, u, n = -8.0, 1.0, 300
    riders = riders_of(0.6, 0.22, n, slope, u, 6)
    means = np.array([r[0].seen_deg.value / slope for r in riders])
    told = from_riders(riders, scatter_worth=1e-3)
    expected = means.var() - (u / slope) ** 2
    assert told.share("knee_bottom").u ** 2 == pytest.approx(expected + means.var() / n, rel=0.02)


def test_an_archive_makes_the_next_riders_interval_right():
    """Simulated: riders at 0.75 ± 0.1, published prior at 0.48 ± 0.15. 80 % intervals of the next 600 riders."""
    rng = np.random.default_rng(8)

    def rate(model: ResponseModel) -> float:
        share = model.share("knee_bottom")
        seen = -7.0 * rng.normal(0.75, 0.1, 600) + rng.normal(0, 1.4, 600)
        return float(np.mean(np.abs(seen + 7.0 * share.value) <= 1.2816 * math.hypot(7 * share.u, 1.4)))

    assert rate(ResponseModel()) < 0.65
    assert 0.75 <= rate(from_riders(riders_of(0.75, 0.1, 60, -6.0, 1.4, 9))) <= 0.87


def test_a_rider_unlike_the_prior_is_covered_after_learning():
    """Simulated: riders with a share of 0.95. 80 % intervals fail at first and mostly hold after six pairs."""
    rng = np.random.default_rng(12)

    def rate(learned: int, riders: int = 200) -> float:
        held = 0
        for _ in range(riders):
            slopes = rng.uniform(-8, 4, learned)
            model = updated(ResponseModel(), [knee(s, 0.95 * s + rng.normal(0, 1.4), 1.4) for s in slopes])
            share = model.share("knee_bottom")
            miss = 0.95 * -8.0 + rng.normal(0, 1.4) - share.value * -8.0
            held += abs(miss) <= 1.2816 * math.hypot(8.0 * share.u, 1.4)
        return held / riders

    assert rate(0) < 0.5
    assert rate(6) > 0.62


def test_pairs_go_through_json():
    pair = knee(-4.0, -2.0, 1.0)
    assert Pair.from_json(pair.to_json()) == pair
