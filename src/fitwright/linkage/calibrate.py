"""The twin fitted to a ride: nonlinear least squares over the whole turn, with what was known before as priors.

Unknowns: thigh, shank, a, b, crank, mean hip centre and five pitch coefficients. Observed: mean cycle curves of
knee, malleolus, axle and (where there) sole pitch. The hip's own small movement is taken from the hip curve
(two harmonics). The film sees stickers, not joint centres: tape priors are widened by the placement of the
landmarks, and the hip centre may lie 12 mm away from the trochanter's sticker (Mantovani 2016, Gait Posture
44:48: 12.3 ± 5.9 mm for the best regression of the hip joint centre).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from fitwright.errors import InputError
from fitwright.linkage.leg import THETA_DEG, LegPose, check_leg, pitch_deg, pose_arrays
from fitwright.linkage.twin import CalibratedTwin, LegTwin
from fitwright.motion.estimate import refuse_guesses
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Floats, combine

NAMES = (
    "thigh_mm", "shank_mm", "axle_to_malleolus_x_mm", "axle_to_malleolus_y_mm", "crank_mm", "hip_x_mm",
    "hip_y_mm", "pitch_mean_deg", "pitch_cos1_deg", "pitch_cos2_deg", "pitch_sin1_deg", "pitch_sin2_deg",
)  # fmt: skip
WORDS = (
    "thigh", "shank", "foot length behind the axle", "ankle height above the axle", "crank", "hip fore-aft",
    "hip height", "mean pitch", "pitch", "pitch", "pitch", "pitch",
)  # fmt: skip
LANDMARK_U_MM = {
    "thigh_mm": 13.0,
    "shank_mm": 7.0,
    "axle_to_malleolus_x_mm": 4.0,
    "axle_to_malleolus_y_mm": 4.0,
}
U_HIP_FROM_STICKER_MM = 12.0
U_PITCH_LINE_DEG = 2.0
POINTS_PER_TURN = 24.0  # independent points of a smooth curve over one turn: 12 harmonics; our assumption
FLOOR_MM, FLOOR_DEG = 1.0, 0.5
HANG_TOGETHER = 0.9  # correlation from which two lengths are named together; our choice
TELLING_APART_MM = 5.0  # below this u a correlated pair does no harm to any prediction; our choice
NEEDED = ("hip_x", "hip_y", "knee_x", "knee_y", "malleolus_x", "malleolus_y", "axle_x", "axle_y")
FITTED = ("knee_x", "knee_y", "malleolus_x", "malleolus_y", "axle_x", "axle_y")


@dataclass(frozen=True)
class _Problem:
    """Observed curves (name → (360,) mean, sigma), the hip's movement (2, 360) and the priors."""

    curves: Mapping[str, tuple[Floats, Floats]]
    hip_mean: Floats
    hip_motion: Floats
    prior: Floats
    prior_u: Floats


def calibrate(ride: RideResult, side: str, priors: CalibratedTwin) -> CalibratedTwin:
    """Fit the twin of one side to the mean cycle of a ride.

    Args:
        ride: curves of `side` in the bike frame: `NEEDED`, and "sole_pitch" where the sole was marked.
        priors: `first_guess` of the same rider on the same bike (values and covariance).

    Returns:
        twin, covariance in the order of `NAMES` (mm, deg), fit residual, warnings; `extra` holds the hip's
        movement (harmonics, mm), the knee's residual in deg, and how far film and tape lie apart in units of u.

    Raises:
        InputError: points that were guessed, a needed curve that is missing or empty, or a fit that ends in lengths
            that no leg has.
    """
    problem = _problem(ride, side, priors)
    start = np.where(np.isin(NAMES, ("hip_x_mm", "hip_y_mm")), 0.0, problem.prior)
    start[5:7] = problem.hip_mean
    sigma = {name: s for name, (_, s) in problem.curves.items()}
    solution = _fit(problem, sigma, start)
    # Second pass: where the leg does not move like a linkage (skin, soft tissue), the residual is the noise.
    rms = _rms_by_curve(problem, solution)
    sigma = {name: np.hypot(s, rms[name]) for name, s in sigma.items()}
    solution = _fit(problem, sigma, solution)
    information = _information(problem, sigma, solution)
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    leg = _leg(solution)
    try:
        check_leg(leg)
    except InputError as error:
        raise InputError("ride", f"the fitted leg is impossible: {error.field} {error.problem}",
                         value=error.value, allowed=error.allowed,
                         hint="Check the marked points and the scale") from error  # fmt: skip
    warnings = _warnings(problem, solution, covariance, priors)
    return CalibratedTwin(
        leg, NAMES, covariance, _total_rms(problem, solution), warnings, _extra(problem, solution, ride, side)
    )


def fits(ride: RideResult, side: str) -> bool:
    """Whether a ride has all that a twin of this side is fitted to."""
    return not _missing(ride, side)


def _missing(ride: RideResult, side: str) -> list[str]:
    curves = ride.curves.get(side, {})
    return [n for n in NEEDED if n not in curves or not np.isfinite(curves[n].mean).any()]


def _problem(ride: RideResult, side: str, priors: CalibratedTwin) -> _Problem:
    refuse_guesses(ride)
    curves = ride.curves.get(side, {})
    if missing := _missing(ride, side):
        raise InputError("ride", f"the {side} side has no {', '.join(missing)}",
                         allowed="hip, knee, malleolus and pedal axle marked in the side view")  # fmt: skip
    names = FITTED + (("sole_pitch",) if "sole_pitch" in curves else ())
    observed = {n: (curves[n].mean, _sigma(curves[n])) for n in names}
    hip = np.stack([curves["hip_x"].mean, curves["hip_y"].mean])
    hip_mean = np.nanmean(hip, axis=1)
    motion = np.stack([_two_harmonics(h - m) for h, m in zip(hip, hip_mean, strict=True)])
    prior, prior_u = _prior_vector(priors)
    prior[5:7], prior_u[5:7] = hip_mean, U_HIP_FROM_STICKER_MM
    return _Problem(observed, hip_mean, motion, prior, prior_u)


def _sigma(curve: CycleCurve) -> Floats:
    """Random part of a mean curve's uncertainty: SD / √cycles, not below a floor."""
    floor = FLOOR_DEG if curve.unit == "deg" else FLOOR_MM
    sd = np.where(np.isfinite(curve.sd), curve.sd, 0.0)
    return np.asarray(np.hypot(sd / np.sqrt(max(curve.cycles, 1)), floor), dtype=np.float64)


def _basis() -> Floats:
    theta = np.deg2rad(THETA_DEG)
    return np.stack([np.cos(theta), np.cos(2 * theta), np.sin(theta), np.sin(2 * theta)], axis=1)


def _two_harmonics(values: Floats) -> Floats:
    """(360,) least-squares first two harmonics of a curve with gaps."""
    good = np.isfinite(values)
    basis = _basis()
    coefficients = np.linalg.lstsq(basis[good], values[good], rcond=None)[0]
    return np.asarray(basis @ coefficients, dtype=np.float64)


def _prior_vector(priors: CalibratedTwin) -> tuple[Floats, Floats]:
    """(12,) prior values and standard uncertainties in the order of `NAMES`."""
    leg = priors.leg
    value = np.array([
        leg.thigh_mm, leg.shank_mm, leg.axle_to_malleolus_x_mm, leg.axle_to_malleolus_y_mm, leg.crank_mm,
        leg.hip_x_mm, leg.hip_y_mm, leg.pitch_mean_deg, *leg.pitch_cos_deg[:2], *leg.pitch_sin_deg[:2],
    ])  # fmt: skip
    known = dict(zip(priors.names, np.sqrt(np.diag(priors.covariance)), strict=True))
    u = np.array([
        combine(float(known.get(n, 10.0)), LANDMARK_U_MM.get(n, 0.0)) for n in NAMES
    ])  # fmt: skip
    return value, u


def _leg(vector: NDArray[np.float64]) -> LegTwin:
    v = [float(x) for x in vector]
    return LegTwin(v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7], (v[8], v[9]), (v[10], v[11]))


def _pose(problem: _Problem, vector: NDArray[np.float64] | NDArray[np.complex128]) -> LegPose:
    beta = pitch_deg(vector[7], vector[8:10], vector[10:12], THETA_DEG)
    return pose_arrays(
        thigh=vector[0], shank=vector[1], a=vector[2], b=vector[3], crank=vector[4],
        hip_x=vector[5] + problem.hip_motion[0], hip_y=vector[6] + problem.hip_motion[1],
        beta_deg=beta, theta_deg=THETA_DEG,
    )  # fmt: skip


def _model(pose: LegPose, name: str) -> NDArray[np.float64]:
    return np.asarray(pose.pitch_deg if name == "sole_pitch" else getattr(pose, name))


def _residuals(
    problem: _Problem, sigma: Mapping[str, Floats], vector: NDArray[np.float64] | NDArray[np.complex128]
) -> NDArray[np.float64]:
    """Weighted residuals of all curves and of the priors (the reach limit enters as a steep wall)."""
    pose = _pose(problem, vector)
    parts = []
    for name, (mean, _) in problem.curves.items():
        weight = np.sqrt(POINTS_PER_TURN / 360.0) / sigma[name]
        residual = (_model(pose, name) - mean) * weight
        # Bins without data say nothing; poses the leg cannot reach (NaN model) push the fit away.
        parts.append(np.where(np.isfinite(mean), np.where(np.isnan(residual), 1e3, residual), 0.0))
    parts.append((vector - problem.prior) / problem.prior_u)
    return np.concatenate(parts)


def _jacobian(problem: _Problem, sigma: Mapping[str, Floats], vector: NDArray[np.float64]) -> Floats:
    """By the complex step: exact to rounding."""
    columns = []
    for i in range(vector.size):
        stepped = vector.astype(np.complex128)
        stepped[i] += 1e-30j
        columns.append(np.imag(_residuals(problem, sigma, stepped)) / 1e-30)
    return np.asarray(np.stack(columns, axis=1), dtype=np.float64)


def _fit(problem: _Problem, sigma: Mapping[str, Floats], start: Floats) -> Floats:
    def residuals(v: Floats) -> Floats:
        return np.asarray(_residuals(problem, sigma, v), dtype=np.float64)

    def jacobian(v: Floats) -> Floats:
        return _jacobian(problem, sigma, v)

    result = least_squares(
        residuals, _reachable(problem, start), jac=jacobian, method="lm",
        x_scale=np.maximum(problem.prior_u, 0.1),
    )  # fmt: skip
    return np.asarray(result.x, dtype=np.float64)


def _reachable(problem: _Problem, start: Floats) -> Floats:
    """The start with both segments lengthened until the leg reaches everywhere (the fit shortens them again)."""
    vector = start.copy()
    for _ in range(60):
        if not np.isnan(np.asarray(_pose(problem, vector).knee_x)).any():
            return vector
        vector[:2] *= 1.01
    raise InputError("ride", "no leg of plausible length reaches the pedal in this ride",
                     hint="Check the marked points and the scale")  # fmt: skip


def _information(problem: _Problem, sigma: Mapping[str, Floats], vector: Floats) -> Floats:
    j = _jacobian(problem, sigma, vector)
    return np.asarray(j.T @ j, dtype=np.float64)


def _rms_by_curve(problem: _Problem, vector: Floats) -> dict[str, float]:
    pose = _pose(problem, vector)
    return {
        n: float(np.sqrt(np.nanmean((_model(pose, n) - mean) ** 2)))
        for n, (mean, _) in problem.curves.items()
    }


def _total_rms(problem: _Problem, vector: Floats) -> float:
    """RMS distance in mm over knee, malleolus and hip (the hip's offset from its sticker included)."""
    rms = _rms_by_curve(problem, vector)
    knee = rms["knee_x"] ** 2 + rms["knee_y"] ** 2
    malleolus = rms["malleolus_x"] ** 2 + rms["malleolus_y"] ** 2
    hip = float(np.sum((vector[5:7] - problem.hip_mean) ** 2))
    return float(np.sqrt((knee + malleolus + hip) / 3))


def _extra(problem: _Problem, vector: Floats, ride: RideResult, side: str) -> dict[str, object]:
    basis = _basis()
    harmonics = [np.linalg.lstsq(basis, motion, rcond=None)[0].tolist() for motion in problem.hip_motion]
    out: dict[str, object] = {
        "side": side, "hip_motion_x_mm": harmonics[0], "hip_motion_y_mm": harmonics[1],
        "hip_motion_order": ["cos1", "cos2", "sin1", "sin2"],
        "hip_from_sticker_mm": (vector[5:7] - problem.hip_mean).tolist(),
        "residual_rms_by_curve": _rms_by_curve(problem, vector),
        "film_minus_prior_in_u": dict(
            zip(NAMES, ((vector - problem.prior) / problem.prior_u).tolist(), strict=True)
        ),
    }  # fmt: skip
    seen = ride.curves[side].get("knee_flexion")
    if seen is not None:
        model = np.asarray(_pose(problem, vector).knee_flexion_deg)
        out["knee_flexion_rms_deg"] = float(np.sqrt(np.nanmean((model - seen.mean) ** 2)))
    return out


def _warnings(
    problem: _Problem, vector: Floats, covariance: Floats, priors: CalibratedTwin
) -> tuple[str, ...]:
    """What the ride could not tell, and where it contradicts the tape."""
    u = np.sqrt(np.diag(covariance))
    out = []
    correlation = covariance / np.outer(u, u)
    for i in range(7):
        for j in range(i + 1, 7):
            if i < 4 and abs(correlation[i, j]) > HANG_TOGETHER and max(u[i], u[j]) > TELLING_APART_MM:
                out.append(f"{WORDS[i]} and {WORDS[j]} cannot be told apart from this ride; measure the "
                           f"{WORDS[i]} by tape")  # fmt: skip
        if i not in (4, 5, 6) and u[i] > 0.8 * problem.prior_u[i]:
            out.append(f"the ride says little about the {WORDS[i]}: the first guess decides")
    for i in range(5):
        pull = (vector[i] - problem.prior[i]) / np.hypot(u[i], problem.prior_u[i])
        if abs(pull) > 3:
            source = priors.extra.get(NAMES[i].removesuffix("_mm"), "the first guess")
            out.append(
                f"{WORDS[i]}: the film says {vector[i]:.0f} mm, {source} {problem.prior[i]:.0f} ± "
                f"{1.96 * problem.prior_u[i]:.0f} mm; measure again, check the points and the scale"
            )
    return tuple(out)
