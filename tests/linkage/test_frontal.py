"""The knee from the front: signs, the exact three-dimensional leg, the fit, and what cannot be known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import fsolve
from scipy.spatial.transform import Rotation

from fitwright.errors import InputError
from fitwright.linkage.frontal import (
    FrontalChange,
    design,
    event_change,
    first_frontal,
    fitted,
    knee_path,
    path_change,
    shares,
)  # fmt: skip
from fitwright.linkage.leg import solve
from fitwright.quantity import Measured

TRUE = replace(first_frontal(127.0), hip_z_mm=88.0, ankle_z_mm=118.0, sin_swivel=np.sin(np.radians(4.0)))


def change_at(leg, event, **what) -> Measured:
    path = knee_path(TRUE, solve(leg))
    return event_change(path, *path_change(TRUE, leg, leg, FrontalChange(**what)), event)


def test_signs(worked_leg):
    """Pedal out: foot and knee go out, the knee less, so it comes in over the pedal. Cleat out: the foot comes in.
    Toe out: the heel and with it the knee come in."""
    leg = worked_leg(705)
    along, off = shares(solve(leg))
    assert np.all((along > 0.4) & (along < 0.6))
    assert off[0] > 250 > 150 > off[180] > 50
    for event in ("tdc", "q90", "bdc", "mean"):
        assert -0.65 * 4 < change_at(leg, event, spacer_mm=4).value < -0.35 * 4
        assert -0.65 * 4 < change_at(leg, event, cleat_z_mm=4).value < -0.35 * 4
        assert change_at(leg, event, yaw_deg=3.0).value < -2
        assert change_at(leg, event, raised_mm=5).value == pytest.approx(0, abs=1e-9)
        assert change_at(leg, event, raised_mm=5).u > 0
    assert change_at(leg, "mean").u == 0


def test_against_the_exact_leg_in_space(worked_leg):
    """Thigh, shank and swivel in three dimensions, solved by a general-purpose root finder: within 0.6 mm.

    The leg's plane holds the line hip–ankle and leans outward about it by the swivel; Rotation turns about that line.
    """
    leg = worked_leg(705)
    pose = solve(leg)
    flat = knee_path(TRUE, pose)
    for t in range(0, 360, 20):
        hip = np.array([pose.hip_x[t], pose.hip_y[t], TRUE.hip_z_mm])
        ankle = np.array([pose.malleolus_x[t], pose.malleolus_y[t], TRUE.ankle_z_mm])
        line = (ankle - hip) / np.linalg.norm(ankle - hip)
        forward = np.cross(line, [0.0, 0.0, 1.0])
        forward /= np.linalg.norm(forward)
        forward *= np.sign(forward[0])
        lean = Rotation.from_rotvec(np.arcsin(TRUE.sin_swivel) * line)
        out = min((lean.apply(forward), lean.inv().apply(forward)), key=lambda v: -v[2])

        def wrong(v, hip=hip, ankle=ankle, line=line, out=out):
            knee = hip + v[0] * line + v[1] * out
            return [np.linalg.norm(knee - hip) - leg.thigh_mm, np.linalg.norm(knee - ankle) - leg.shank_mm]

        v = fsolve(wrong, [400.0, 200.0])
        knee = hip + v[0] * line + v[1] * out
        assert flat[t] == pytest.approx(knee[2] - TRUE.axle_z_mm, abs=0.6)


def test_a_filmed_path_gives_the_three_numbers_back(worked_leg):
    pose = solve(worked_leg(705))
    rng = np.random.default_rng(4)
    inside = []
    for _ in range(60):
        path = knee_path(TRUE, pose) + rng.normal(0, 1.0) + 0 * pose.knee_x
        path[40:70] = np.nan
        found = fitted(first_frontal(127.0, 4.0, Measured(2.0, 2.0, "deg")), pose, path, 1.0)
        z = (found.vector - TRUE.vector) / np.sqrt(np.diag(found.covariance))
        inside.append(np.abs(z) < 1.96)
        assert found.residual_rms_mm < 1.0
    assert np.mean(inside) > 0.85
    np.testing.assert_allclose(design(pose) @ TRUE.vector - 127.0, knee_path(TRUE, pose))


def test_doubts_widen_what_they_touch(worked_leg):
    leg = worked_leg(705)
    assert change_at(leg, "mean", spacer_mm=4).u == pytest.approx(1.0)
    assert change_at(leg, "range", spacer_mm=4).u < 0.05  # all of the path goes along
    sure, unsure = (change_at(leg, "q90", yaw_deg=3.0, u_yaw_deg=u) for u in (0.0, 2.0))
    assert unsure.u > sure.u > 1
    lower = replace(leg, hip_y_mm=leg.hip_y_mm - 15)
    path = knee_path(TRUE, solve(leg))
    mean, doubts = path_change(TRUE, leg, lower, FrontalChange(raised_mm=-15))
    assert event_change(path, mean, doubts, "bdc").value > 0.5  # more bent, and it leans outward


def test_bad_input_is_named(worked_leg):
    pose = solve(worked_leg(705))
    with pytest.raises(InputError, match="knee_path"):
        fitted(TRUE, pose, np.full(360, np.nan), 1.0)
    with pytest.raises(InputError, match="event"):
        event_change(np.zeros(360), np.zeros(360), np.zeros((360, 5)), "noon")
