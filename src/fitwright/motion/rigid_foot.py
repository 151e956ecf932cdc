"""The pedal axle found from foot markers alone.

A shoe that is fixed to a pedal turns about the axle, so one line through the shoe runs on a circle about the bottom
bracket. Heel, M5 and toe markers give the foot's pose in every frame (rigid fit: Kabsch 1976, Arun 1987); then the
foot-fixed point is sought whose path, seen from the side, is the best circle. A marker itself is no axle: the foot
pitches, and its path is smaller or larger than the crank's circle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.motion.circle import algebraic_circle
from fitwright.motion.cycles import bootstrap_weights, small_sample_factor
from fitwright.quantity import Floats

STARTS_MM = ((0.0, 0.0), (40.0, -40.0), (-40.0, -40.0), (40.0, 40.0))


@dataclass(frozen=True)
class FootPose:
    """Pose of a rigid reference in every frame: p = rotation · q + translation.

    Attributes:
        rotation: (T, 3, 3). translation_mm: (T, 3). rms_mm: root mean square misfit of the markers over all frames.
    """

    rotation: Floats
    translation_mm: Floats
    rms_mm: float

    def path(self, point_mm: Floats) -> Floats:
        """(T, 3) path of a point fixed to the reference."""
        return np.asarray(self.rotation @ point_mm + self.translation_mm, dtype=np.float64)


def rigid_pose(reference_mm: Floats, observed_mm: Floats) -> FootPose:
    """Best rigid fit of a reference (K, 3) onto (T, K, 3) frames, K ≥ 3; a frame with a marker unseen is NaN.

    Raises:
        InputError: the reference markers lie on a line, or fewer than ten frames show them all.
    """
    centred = reference_mm - reference_mm.mean(axis=0)
    if reference_mm.shape[0] < 3 or np.linalg.svd(centred, compute_uv=False)[1] < 5.0:
        raise InputError("foot markers", "they lie on a line, so the foot's pose is not fixed",
                         allowed="three or more, off a line by 5 mm")  # fmt: skip
    seen = np.isfinite(observed_mm).all(axis=(1, 2))
    if seen.sum() < 10:
        raise InputError(
            "foot markers", "seen together in too few frames", value=int(seen.sum()), allowed="10 or more"
        )
    x = observed_mm[seen]
    middle = x.mean(axis=1)
    u, _, vt = np.linalg.svd(np.einsum("ki,nkj->nij", centred, x - middle[:, None]))
    # Without this a mirror image could fit better than any rotation.
    flip = np.ones((x.shape[0], 3))
    flip[:, 2] = np.sign(np.linalg.det(u @ vt))
    rotation = np.einsum("nji,nj,nkj->nik", vt, flip, u)
    translation = middle - rotation @ reference_mm.mean(axis=0)
    misfit = np.einsum("nij,kj->nki", rotation, reference_mm) + translation[:, None] - x
    whole_r, whole_t = np.full((seen.size, 3, 3), np.nan), np.full((seen.size, 3), np.nan)
    whole_r[seen], whole_t[seen] = rotation, translation
    return FootPose(whole_r, whole_t, float(np.sqrt((misfit**2).sum(axis=-1).mean())))


def shape_of(observed_mm: Floats) -> Floats:
    """(K, 3) mean shape of a rigid cluster (T, K, 3), in the pose of its first whole frame.

    For when no static trial is at hand; two rounds of generalised Procrustes (Gower 1975; from memory).
    """
    whole = observed_mm[np.isfinite(observed_mm).all(axis=(1, 2))]
    if whole.shape[0] < 10:
        raise InputError(
            "foot markers", "seen together in too few frames", value=whole.shape[0], allowed="10 or more"
        )
    shape = whole[0]
    for _ in range(2):
        pose = rigid_pose(shape, whole)
        back = np.einsum("nji,nkj->nki", pose.rotation, whole - pose.translation_mm[:, None])
        shape = back.mean(axis=0)
    return np.asarray(shape, dtype=np.float64)


@dataclass(frozen=True)
class AxleFit:
    """The foot-fixed point on the best circle.

    Attributes:
        point_mm: (3,) in the reference's frame. centre_mm: (2,) X, Y of the BB axis. radius_mm: the crank.
        covariance: (5, 5) of point x, y, centre x, y, radius: block bootstrap over turns joined by the foot's misfit.
        residual_sd_mm, residual_max_mm: distance of the path from the circle. path_mm: (T, 3).
        axle_direction: (3,) unit vector of the axle (lab Z, the rider's right) in the reference's frame, mean.
    """

    point_mm: Floats
    centre_mm: Floats
    radius_mm: float
    covariance: Floats
    residual_sd_mm: float
    residual_max_mm: float
    path_mm: Floats
    axle_direction: Floats

    @property
    def u(self) -> Floats:
        """(5,) standard uncertainties of point x, y, centre x, y, radius, mm."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)


def find_axle(pose: FootPose, near_mm: Floats, time_s: Floats, turn_s: float | None = None) -> AxleFit:
    """The foot-fixed point, in the plane through `near_mm` (3,) square to the reference's Z, on the best circle.

    Args:
        pose: of the foot. near_mm: where to start, e.g. between the M1 and M5 markers; its third coordinate is kept.
        time_s: (T,). turn_s: length of one turn for the bootstrap's blocks; found from the motion when not given.

    Raises:
        InputError: no point of the foot runs on a circle (residual over 5 % of its radius).
    """
    seen = np.isfinite(pose.translation_mm).all(axis=1)
    turn = pose.rotation[seen][:, :2, :2]
    start = pose.path(near_mm)[seen][:, :2]
    best: tuple[float, Floats] | None = None
    for offset in STARTS_MM:
        p = _descend(turn, start, np.array(offset))
        cost = float(np.mean(_residual(turn, start, p)[0] ** 2))
        if best is None or cost < best[0]:
            best = cost, p
    assert best is not None
    p = best[1]
    residual, jacobian = _residual(turn, start, p)
    sd = float(np.sqrt(np.mean(residual**2)))
    if not 0 < sd < 0.05 * p[4]:
        raise InputError("foot markers", "no point of the foot runs on a circle", value=round(sd, 1),
                         allowed="residual under 5 % of the radius", hint="Is the shoe clipped in?")  # fmt: skip
    length = turn_s or _turn_length(time_s[seen], start + np.einsum("nij,j->ni", turn, p[:2]) - p[2:4])
    covariance = _bootstrap_covariance(
        residual, jacobian, np.floor((time_s[seen] - time_s[seen][0]) / length)
    )
    flexing = (
        pose.rms_mm**2 / 3.0
    )  # the shoe is not rigid: what three markers disagree by, shared by their mean
    point = near_mm + np.array([p[0], p[1], 0.0])
    direction = pose.rotation[seen][:, 2, :].mean(axis=0)
    return AxleFit(
        point, p[2:4], float(p[4]), covariance + flexing * np.diag([1.0, 1.0, 0.0, 0.0, 0.0]), sd,
        float(np.abs(residual).max()), pose.path(point), direction / np.linalg.norm(direction),
    )  # fmt: skip


def _residual(turn: Floats, start: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Distance from the circle (T,) and its derivatives (T, 5); p = point x, y, centre x, y, radius."""
    away = start + np.einsum("nij,j->ni", turn, p[:2]) - p[2:4]
    distance = np.linalg.norm(away, axis=1)
    unit = away / distance[:, None]
    jacobian = np.column_stack([np.einsum("ni,nij->nj", unit, turn), -unit, -np.ones(unit.shape[0])])
    return distance - p[4], jacobian


def _descend(turn: Floats, start: Floats, offset: Floats, rounds: int = 60) -> Floats:
    """Gauss–Newton on all five unknowns, a step limited to 40 mm so that a flat start does not fly away."""
    path = start + np.einsum("nij,j->ni", turn, offset)
    p = np.array([*offset, *algebraic_circle(path[:, 0], path[:, 1])])
    for _ in range(rounds):
        residual, jacobian = _residual(turn, start, p)
        step, *_ = np.linalg.lstsq(jacobian, -residual, rcond=None)
        step *= min(1.0, 40.0 / max(float(np.abs(step).max()), 1e-12))
        p = p + step
        if np.abs(step).max() < 1e-8:
            break
    return np.asarray(p, dtype=np.float64)


def _turn_length(time_s: Floats, away: Floats) -> float:
    angle = np.unwrap(np.arctan2(away[:, 1], away[:, 0]))
    turns = abs(float(angle[-1] - angle[0])) / (2 * np.pi)
    return float(time_s[-1] - time_s[0]) / max(turns, 1.0)


def _bootstrap_covariance(residual: Floats, jacobian: Floats, block: Floats) -> Floats:
    """One-step block bootstrap: the normal equations are summed by turn and redrawn, 400 times at once."""
    _, index = np.unique(block, return_inverse=True)
    blocks = int(index.max()) + 1
    normal = np.zeros((blocks, 5, 5))
    gradient = np.zeros((blocks, 5))
    np.add.at(normal, index, jacobian[:, :, None] * jacobian[:, None, :])
    np.add.at(gradient, index, jacobian * residual[:, None])
    weights = bootstrap_weights(blocks) * blocks
    a = np.einsum("db,bij->dij", weights, normal)
    g = weights @ gradient
    moves = -np.linalg.solve(a + 1e-9 * np.trace(normal.sum(0)) * np.eye(5) / 5, g[:, :, None])[:, :, 0]
    return np.asarray(np.cov(moves.T) * small_sample_factor(blocks) ** 2, dtype=np.float64)


def fraction_between(m1_mm: Floats, m5_mm: Floats, axle: AxleFit) -> float:
    """λ: where the axle's line crosses M1–M5, seen square to the sole (reference X and Z); 0 = M1, 1 = M5.

    Raises:
        InputError: the axle runs along the line M1–M5.
    """
    line, direction = (m5_mm - m1_mm)[[0, 2]], axle.axle_direction[[0, 2]]
    to_axle = (axle.point_mm - m1_mm)[[0, 2]]
    cross = float(line[0] * direction[1] - line[1] * direction[0])
    if abs(cross) < 1.0:
        raise InputError("M1, M5", "the axle runs along the line through them")
    return float((to_axle[0] * direction[1] - to_axle[1] * direction[0]) / cross)
