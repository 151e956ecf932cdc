"""Start setting: x, z and ψ solved together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.foot.frame import axle_fraction
from fitwright.foot.sole import SolePoint
from fitwright.foot.start import Place, axle_given, start_at, start_setting
from fitwright.quantity import Measured


def point(x, z, u=1.0):
    return SolePoint(x, z, np.eye(2) * u**2)


M1, M5 = point(201, -38), point(172, 44)


def yaw(value, u=1.0):
    return Measured(value, u, "deg")


def test_worked_figure():
    """M1 (201, −38), M5 (172, 44), λ 0.5, φ 7°, z 2 → x 186.38 mm, axle exactly under the point wanted."""
    setting = start_setting(M1, M5, yaw(7), 2.0)
    assert setting.cleat.x_mm == pytest.approx(186.38, abs=0.005)
    assert (setting.cleat.z_mm, setting.cleat.psi_deg) == (2.0, 7.0)
    assert setting.axle_x_mm == pytest.approx(0.0, abs=1e-9)
    assert setting.point_mm == (186.5, 3.0)


@given(st.floats(-10, 20), st.floats(-8, 8), st.floats(0, 1))
def test_the_setting_gives_back_the_fraction_wanted(phi, z, lam):
    cleat = start_setting(M1, M5, yaw(phi), z, lam).cleat
    assert axle_fraction(M1.xz, M5.xz, cleat.vector[:2], cleat.psi_deg) == pytest.approx(lam, abs=1e-9)


def test_lateral_and_yaw_change_fore_aft_together():
    straight = [start_setting(M1, M5, yaw(0), z).cleat.x_mm for z in (-5, 5)]
    turned = [start_setting(M1, M5, yaw(10), z).cleat.x_mm for z in (-5, 5)]
    assert straight[0] == straight[1]
    assert turned[1] - turned[0] == pytest.approx(10 * np.tan(np.radians(10)))


def test_uncertainty_agrees_with_monte_carlo():
    """JCGM 101: 50 000 draws of M1, M5 and yaw through the closed formula (simulated)."""
    stated = start_setting(point(201, -38, 1.5), point(172, 44, 1.2), yaw(7, 2), -4.0, 0.45, u_setting_mm=0.4)
    rng = np.random.default_rng(1)
    n = 50_000
    m1, m5 = rng.normal([201, -38], 1.5, (n, 2)), rng.normal([172, 44], 1.2, (n, 2))
    phi, z = np.radians(rng.normal(7, 2, n)), rng.normal(-4, 0.4, n)
    p = m1 + 0.45 * (m5 - m1)
    assert np.std(p[:, 0] + (z - p[:, 1]) * np.tan(phi)) == pytest.approx(stated.cleat.u[0], rel=0.02)


@pytest.mark.parametrize(
    ("m1", "m5", "phi", "z", "lam", "field"),
    [
        (point(171, -38), M5, 7, 2, 0.5, "M1 lies behind M5"),
        (M5, M1, 7, 2, 0.5, "further inward"),
        (M1, M5, 80, 2, 0.5, "yaw"),
        (M1, M5, 7, 200, 0.5, "lateral"),
        (M1, M5, 7, 2, 9, "lambda"),
        (point(-201, -38), M5, 7, 2, 0.5, "m1 x"),
        (M1, M5, float("nan"), 2, 0.5, "yaw"),
    ],
)
def test_impossible_input_is_named_with_its_range(m1, m5, phi, z, lam, field):
    with pytest.raises(InputError, match=field):
        start_setting(m1, m5, yaw(phi), z, lam)


def test_place_behind_m1_needs_the_foot_length_only_for_a_share_of_it():
    straight = start_at(M1, M5, yaw(0), 0.0, Place(1, 0, back_mm=12)).cleat.x_mm
    assert straight == pytest.approx(201 - 12)
    length = Measured(260, 2, "mm")
    share = start_at(M1, M5, yaw(0, 0), 0.0, Place(1, 0, back_share=0.05), length=length).cleat
    assert share.x_mm == pytest.approx(201 - 13)
    assert share.u[0] == pytest.approx(np.hypot(1.0, 0.05 * 2))
    with pytest.raises(InputError, match="foot length"):
        start_at(M1, M5, yaw(0), 0.0, Place(1, 0, back_share=0.05))


def test_what_a_pose_gives_is_as_sure_as_the_marks():
    cleat = start_setting(M1, M5, yaw(7), 2.0, 0.4).cleat
    given_ = axle_given(cleat, M1, M5, 7.0)
    assert given_.value == pytest.approx(0.4)
    rng = np.random.default_rng(2)
    draws = [
        axle_fraction(rng.normal(M1.xz, 1.0), rng.normal(M5.xz, 1.0), cleat.vector[:2], 7.0)
        for _ in range(10_000)
    ]
    assert np.std(draws) == pytest.approx(given_.u, rel=0.05)
