"""The closed-form leg against a generic rigid-body engine (mujoco, Todorov et al. 2012), on 12 000 random poses."""

from __future__ import annotations

import numpy as np
import pytest
from bench.leg import engine_leg, joints_rad, random_poses

from fitwright.linkage.leg import pose_arrays

pytest.importorskip("mujoco")


def test_joint_angles_put_the_engines_points_where_ours_are():
    """Forward: our three angles in the engine; knee, malleolus, axle and pitch within 1e-6 mm and 1e-9°."""
    legs, each = 40, 300
    poses = random_poses(legs * each, 11, legs)
    pose = pose_arrays(**poses)
    assert np.isfinite(pose.knee_x).all()
    q = joints_rad(pose)
    for k in range(legs):
        engine = engine_leg(poses, k)
        for i in range(k, legs * each, legs):
            engine.set(q[i])
            for name, x, y in (
                ("knee", pose.knee_x, pose.knee_y), ("malleolus", pose.malleolus_x, pose.malleolus_y),
                ("axle", pose.axle_x, pose.axle_y),
            ):  # fmt: skip
                np.testing.assert_allclose(engine.at(name), [x[i], y[i]], atol=1e-6, rtol=0)
            assert -np.degrees(q[i].sum()) == pytest.approx(poses["beta_deg"][i], abs=1e-9)


def test_the_engines_newton_finds_our_angles():
    """Inverse: from 3° off, the engine's own steps end where the closed form says."""
    poses = random_poses(200, 12, 1)
    pose = pose_arrays(**poses)
    engine = engine_leg(poses, 0)
    q = joints_rad(pose)
    start = q + np.random.default_rng(5).normal(0, 0.05, q.shape)
    for i in range(200):
        axle = np.array([pose.axle_x[i], pose.axle_y[i]])
        found = engine.reach(axle, poses["beta_deg"][i], start[i])
        np.testing.assert_allclose(np.degrees(found), np.degrees(q[i]), atol=1e-6)
