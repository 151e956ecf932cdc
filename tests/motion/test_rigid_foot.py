"""The rigid foot: its pose against scipy, and a simulated shoe whose axle is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fitwright.errors import InputError
from fitwright.motion.rigid_foot import find_axle, fraction_between, rigid_pose, shape_of

HEEL, M5, TOE, M1 = np.array([[-190.0, 30, 5], [-25.0, 20, 45], [70.0, 30, 5], [15.0, 25, -40]])
AXLE = np.array([0.0, -25.0, 0.0])


def shoe(seconds: float = 10.0, noise_mm: float = 0.3, yaw_deg: float = 6.0, seed: int = 2):
    """Simulated right shoe on a 172.5 mm crank, pitching 20° ± 15° about the axle, toe-out by a fixed yaw."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, seconds, 0.01)
    theta = 2 * np.pi * 1.4 * t
    pitch = np.radians(20 - 15 * np.cos(theta - 5.2))
    # Yaw first (about the sole's Y), then pitch about the axle, which stays along lab Z.
    turn = Rotation.from_rotvec(np.column_stack([0 * t, 0 * t, -pitch])) * Rotation.from_euler(
        "y", -yaw_deg, degrees=True
    )
    axle = np.column_stack([172.5 * np.sin(theta) + 300, 172.5 * np.cos(theta) + 250, np.full(t.size, 130.0)])
    markers = np.stack([HEEL, M5, TOE])
    rotation = turn.as_matrix()
    observed = np.einsum("nij,kj->nki", rotation, markers - AXLE) + axle[:, None]
    return t, observed + rng.normal(0, noise_mm, observed.shape), rotation


def test_pose_is_scipys_best_rotation() -> None:
    """Against scipy.spatial.transform.Rotation.align_vectors, frame by frame."""
    _, observed, _ = shoe(seconds=0.5)
    reference = np.stack([HEEL, M5, TOE])
    pose = rigid_pose(reference, observed)
    for i in (0, 17, 49):
        other, _ = Rotation.align_vectors(observed[i] - observed[i].mean(0), reference - reference.mean(0))
        assert pose.rotation[i] == pytest.approx(other.as_matrix(), abs=1e-8)
    assert np.linalg.det(pose.rotation) == pytest.approx(np.ones(50))
    assert pose.rms_mm == pytest.approx(0.3 * np.sqrt(3 - 6 / 3), rel=0.2)  # 9 readings, 6 of them used up


def test_axle_crank_and_centre_come_back() -> None:
    t, observed, _ = shoe()
    fit = find_axle(rigid_pose(np.stack([HEEL, M5, TOE]), observed), np.array([M5[0], M5[1], AXLE[2]]), t)
    assert fit.point_mm[:2] == pytest.approx(AXLE[:2], abs=0.3)
    assert fit.radius_mm == pytest.approx(172.5, abs=0.1)
    assert fit.centre_mm == pytest.approx((300, 250), abs=0.1)
    assert fit.residual_sd_mm < 0.4
    assert np.all(fit.u > 0)
    assert np.all(fit.u < 1)


def test_stated_uncertainty_covers_the_scatter() -> None:
    """Simulated: over 30 recordings the axle's error stays within 1.96 u in nearly all."""
    held = 0
    for seed in range(30):
        t, observed, _ = shoe(seconds=6, noise_mm=0.5, seed=seed)
        fit = find_axle(rigid_pose(np.stack([HEEL, M5, TOE]), observed), np.array([M5[0], M5[1], 0.0]), t)
        held += int(np.all(np.abs(fit.point_mm[:2] - AXLE[:2]) < 1.96 * fit.u[:2]))
    assert held >= 26


def test_fraction_counts_the_foots_yaw() -> None:
    """λ where the axle's line, turned against the foot by its yaw, crosses M1–M5 (plane geometry by hand)."""
    for yaw in (0.0, 6.0, -4.0):
        t, observed, _ = shoe(noise_mm=0.0, yaw_deg=yaw)
        fit = find_axle(rigid_pose(np.stack([HEEL, M5, TOE]), observed), np.array([M5[0], M5[1], 0.0]), t)
        # X of a sole point against the axle: (x − x_c) cos φ − (z − z_c) sin φ
        phi = np.radians(yaw)
        m1, m5 = (((p - AXLE)[[0, 2]] * [np.cos(phi), -np.sin(phi)]).sum() for p in (M1, M5))
        expected = m1 / (m1 - m5)
        assert fraction_between(M1, M5, fit) == pytest.approx(expected, abs=0.01)


def test_a_plain_marker_is_no_crank() -> None:
    from fitwright.motion.circle import fit_circle

    _, observed, _ = shoe()
    assert abs(fit_circle(observed[:, 1, 0], observed[:, 1, 1]).radius_mm - 172.5) > 3


def test_shape_without_a_static_trial() -> None:
    _, observed, _ = shoe()
    shape = shape_of(observed)
    for i, j in ((0, 1), (0, 2), (1, 2)):
        truth = np.stack([HEEL, M5, TOE])
        assert np.linalg.norm(shape[i] - shape[j]) == pytest.approx(
            np.linalg.norm(truth[i] - truth[j]), abs=0.1
        )


def test_markers_on_a_line_and_unseen_markers_are_refused() -> None:
    _, observed, _ = shoe()
    line = np.array([[0.0, 0, 0], [100, 0, 0], [200, 1, 0]])
    with pytest.raises(InputError, match="on a line"):
        rigid_pose(line, observed)
    observed[5:, 0] = np.nan
    with pytest.raises(InputError, match="too few frames"):
        rigid_pose(np.stack([HEEL, M5, TOE]), observed)


def test_a_foot_that_does_not_go_round_is_refused() -> None:
    rng = np.random.default_rng(0)
    t, observed, _ = shoe()
    walking = observed + np.column_stack([t * 900, rng.normal(0, 60, t.size), 0 * t])[:, None]
    with pytest.raises(InputError, match="circle"):
        find_axle(rigid_pose(np.stack([HEEL, M5, TOE]), walking), M5, t)
