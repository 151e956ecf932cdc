"""The region that a cleat can be bolted in, against scipy's half-space intersection, hull and optimiser.

scipy: Virtanen et al. 2020, 10.1038/s41592-019-0686-2 (Qhull: Barber et al. 1996, 10.1145/235815.235821).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog, minimize
from scipy.spatial import ConvexHull, HalfspaceIntersection, QhullError
from scipy.spatial.transform import Rotation

from fitwright.foot.convex import area_of, inside, nearest_in_polygon
from fitwright.foot.hardware import CATALOGUE, feasible_polygon, largest_turn_deg

PATTERN = np.array([185.0, 1.5])
FEW = settings(max_examples=40, deadline=None)
systems = st.sampled_from(CATALOGUE)


def half_spaces(cleat, psi):
    """Rows (a, b) with a·(x, z, t) + b ≤ 0: every bolt in its slot, t the bolts' common slide in the sole."""
    R = Rotation.from_euler("z", psi, degrees=True).as_matrix()[:2, :2]  # sole → cleat, the nose to −z
    rows = []
    for bolt in np.array(cleat.bolts_mm):
        for sign in (1, -1):
            for k, play in enumerate((cleat.slot_half_x_mm, cleat.slot_half_z_mm)):
                # sign · (R (pattern + bolt + (t, 0) − c) − bolt)_k ≤ play
                fixed = (R @ (PATTERN + bolt) - bolt)[k]
                rows.append([-sign * R[k, 0], -sign * R[k, 1], sign * R[k, 0], sign * fixed - play])
    slide = max(cleat.sole_slide_half_mm, 1e-7)
    return np.array([*rows, [0, 0, 1, -slide], [0, 0, -1, -slide]])


def interior(spaces):
    """Chebyshev's centre by linear programming."""
    norm = np.linalg.norm(spaces[:, :3], axis=1)
    solved = linprog([0, 0, 0, -1], np.column_stack([spaces[:, :3], norm]), -spaces[:, 3],
                     bounds=[(None, None)] * 3 + [(0, None)])  # fmt: skip
    return solved.x[:3] if solved.status == 0 and solved.x[3] > 1e-9 else None


@FEW
@given(systems, st.floats(-9.9, 9.9))
def test_the_polygon_is_the_shadow_of_scipys_half_space_intersection(cleat, psi):
    ours, spaces = feasible_polygon(cleat, PATTERN, psi), half_spaces(cleat, psi)
    middle = interior(spaces)
    if middle is None:
        assert len(ours) == 0 or area_of(ours) < 1e-3
        return
    try:
        corners = HalfspaceIntersection(spaces, middle).intersections[:, :2]
        hull = ConvexHull(corners)
    except QhullError:
        return  # too flat for Qhull
    assert area_of(ours) == pytest.approx(hull.volume, abs=1e-4)
    theirs = corners[hull.vertices]
    apart = np.linalg.norm(ours[:, None] - theirs[None], axis=2)
    assert apart.min(axis=1).max() < 1e-4


@pytest.mark.parametrize("cleat", CATALOGUE, ids=lambda c: c.key)
def test_membership_by_chance(cleat):
    """2000 random centres: inside exactly when some slide of the bolts lets each of them into its slot."""
    rng = np.random.default_rng(11)
    psi = 0.6 * largest_turn_deg(cleat)
    polygon, spaces = feasible_polygon(cleat, PATTERN, psi), half_spaces(cleat, psi)
    low, high = polygon.min(axis=0) - 2, polygon.max(axis=0) + 2
    slides = np.linspace(-1, 1, 401) * cleat.sole_slide_half_mm
    hits = 0
    for place in rng.uniform(low, high, (2000, 2)):
        bolts = spaces[:-2]
        room = bolts[:, :2] @ place + bolts[:, 3] + bolts[:, 2] * slides[:, None]
        worst = room.max(axis=1).min()
        if abs(worst) > 0.1:  # the slide's grid decides nothing nearer to the edge than this
            assert inside(polygon, place) == (worst < 0)
            hits += worst < 0
    assert hits > 50


@FEW
@given(systems, st.floats(-3, 3), st.floats(-40, 40), st.floats(-20, 20))
def test_nearest_place_is_that_of_scipys_optimiser(cleat, psi, dx, dz):
    polygon = feasible_polygon(cleat, PATTERN, psi)
    if len(polygon) < 3 or area_of(polygon) < 0.5:
        return
    wish = np.add(PATTERN, (dx, dz))
    hull = ConvexHull(polygon)
    limits = {"type": "ineq", "fun": lambda p: -(hull.equations[:, :2] @ p + hull.equations[:, 2])}
    found = minimize(lambda p: np.sum((p - wish) ** 2), polygon.mean(axis=0), constraints=[limits], tol=1e-12)
    assert nearest_in_polygon(polygon, wish) == pytest.approx(found.x, abs=1e-3)


def test_the_region_vanishes_where_linear_programming_says_so():
    """Wide bolts in narrow slots: the largest turn is where the last feasible pose disappears."""
    cleat = CATALOGUE[0]
    most = largest_turn_deg(cleat)
    assert interior(half_spaces(cleat, most * 0.999)) is not None
    if most < cleat.turn_limit_deg:
        assert interior(half_spaces(cleat, most * 1.001)) is None
