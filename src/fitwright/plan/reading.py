"""Values that findings and forecasts read: from the rides, and from cleat, marks and yaw together.

Sole frame and signs as in `foot.sole`; yaw is toe-out of the shoe's mid-line, deg.
"""

from __future__ import annotations

import math

import numpy as np

from fitwright.foot.frame import axle_fraction
from fitwright.linkage.response import crank_in_line_deg
from fitwright.motion.ride import CycleCurve
from fitwright.plan.inputs import PlanInputs
from fitwright.quantity import Measured, combine, propagate

FREE_MARGIN_DEG = 1.0  # a foot nearer to an end of its float than this counts as held; our choice


def ride_value(inputs: PlanInputs, side: str, key: str) -> Measured | None:
    """One value by key "quantity.event", from the side ride first, then from the front ride.

    The event "crank_in_line" is read from the mean curve at the angle where the crank lies in line with BB–saddle.
    """
    quantity, event = key.rsplit(".", 1)
    for ride in (inputs.ride, inputs.front_ride):
        if ride is None:
            continue
        if event == "crank_in_line":
            curve = ride.curves.get(side, {}).get(quantity.removesuffix("_deg"))
            value = None if curve is None else at_angle(curve, crank_in_line_deg(inputs.contact))
        else:
            value = ride.value(side, quantity, event)
        if value is not None and math.isfinite(value.value) and math.isfinite(value.u):
            return value
    return None


def at_angle(curve: CycleCurve, theta_deg: float) -> Measured | None:
    """A mean curve at one crank angle, linear between 1° bins; None where the curve has a gap."""
    low = math.floor(theta_deg) % 360
    share = theta_deg - math.floor(theta_deg)
    high = (low + 1) % 360
    value = float((1 - share) * curve.mean[low] + share * curve.mean[high])
    u = float(max(curve.u[low], curve.u[high]))
    if not (math.isfinite(value) and math.isfinite(u)):
        return None
    return Measured(value, u, curve.unit, f"mean curve at {theta_deg:.0f}° of crank", curve.estimate)


def riding_yaw(inputs: PlanInputs, side: str) -> tuple[Measured, Measured] | None:
    """Least and greatest foot yaw while pedalling (deg), or None where no ride shows it."""
    low, high = ride_value(inputs, side, "foot_yaw_deg.min"), ride_value(inputs, side, "foot_yaw_deg.max")
    return None if low is None or high is None else (low, high)


def yaw_deg(inputs: PlanInputs, side: str) -> Measured:
    """The yaw to use for the axle line: while pedalling, else the hanging foot's inside the float, else ψ_c."""
    ridden = ride_value(inputs, side, "foot_yaw_deg.mean")
    if ridden is not None:
        return ridden
    cleat = inputs.cleats.get(side)
    hanging = inputs.hanging_yaw_deg.get(side)
    if cleat is None:
        return hanging or Measured(
            7.5, 5.0, "deg", "toe-out in walking (J Bone Joint Surg 1932), no test made"
        )
    psi = Measured(cleat.psi_deg, combine(float(cleat.u[2]), 2.0), "deg", "cleat at mid-float")
    if hanging is None:
        return psi
    inward, outward = inputs.float_window_deg.get(side, (0.0, 0.0))
    held = min(max(hanging.value, cleat.psi_deg - inward), cleat.psi_deg + outward)
    return Measured(held, combine(hanging.u, 2.0), "deg", "hanging foot, held by the float")


def axle_under_foot(inputs: PlanInputs, side: str, yaw: Measured) -> Measured | None:
    """λ ± u of one side from cleat, marks and yaw; None where cleat or marks are missing."""
    cleat, marks = inputs.cleats.get(side), inputs.marks.get(side)
    if cleat is None or marks is None:
        return None
    m1, m5 = marks
    mean = np.array([cleat.x_mm, cleat.z_mm, *m1.xz, *m5.xz, math.radians(yaw.value)])
    cov = np.zeros((7, 7))
    cov[:2, :2] = cleat.covariance[:2, :2]
    cov[2:4, 2:4], cov[4:6, 4:6] = m1.covariance_mm2, m5.covariance_mm2
    cov[6, 6] = math.radians(yaw.u) ** 2
    value, covariance = propagate(
        lambda v: axle_fraction(v[2:4], v[4:6], v[:2], math.degrees(float(v[6]))), mean, cov
    )
    return Measured(float(value[0]), float(math.sqrt(covariance[0, 0])), "1", "cleat, M1, M5 and yaw")


def cleat_rotation(inputs: PlanInputs, side: str) -> Measured | None:
    """ψ_c minus the foot's own yaw (hanging, else the middle of the ridden yaw where it touches the float)."""
    cleat = inputs.cleats.get(side)
    if cleat is None:
        return None
    own = inputs.hanging_yaw_deg.get(side)
    if own is None:
        ridden = riding_yaw(inputs, side)
        margin = float_margin(inputs, side)
        if ridden is None or margin is None or margin.value >= FREE_MARGIN_DEG:
            return None
        low, high = ridden
        own = Measured(
            (low.value + high.value) / 2, combine(low.u, high.u) / 2, "deg", "middle of the ridden yaw"
        )
    return Measured(
        cleat.psi_deg - own.value, combine(float(cleat.u[2]), own.u), "deg", f"cleat − {own.method}"
    )


def float_margin(inputs: PlanInputs, side: str) -> Measured | None:
    """Smallest distance of the ridden yaw to an end of [ψ − float in, ψ + float out], deg."""
    ridden, cleat = riding_yaw(inputs, side), inputs.cleats.get(side)
    window = inputs.float_window_deg.get(side)
    if ridden is None or cleat is None or window is None:
        return None
    inner = ridden[0].value - (cleat.psi_deg - window[0])
    outer = cleat.psi_deg + window[1] - ridden[1].value
    u = combine(float(cleat.u[2]), ridden[0].u if inner < outer else ridden[1].u)
    return Measured(
        min(inner, outer),
        u,
        "deg",
        f"ridden yaw against the float's {'inner' if inner < outer else 'outer'} end",
    )


def yaw_after(before: PlanInputs, after: PlanInputs, side: str, u_free_deg: float) -> Measured:
    """Mean yaw once the cleat is turned, deg.

    A foot that touched an end of its float goes to its hanging yaw as far as the new window lets it; a foot that
    was free stays where it was. How far a freed foot really goes is not known better than `u_free_deg`.
    """
    now, margin = yaw_deg(before, side), float_margin(before, side)
    hanging, cleat = before.hanging_yaw_deg.get(side), after.cleats.get(side)
    held = margin is None or margin.value < FREE_MARGIN_DEG
    turned = cleat is not None and cleat.psi_deg != before.cleats[side].psi_deg
    if hanging is None or cleat is None or not held or not turned:
        return now
    inward, outward = before.float_window_deg.get(side, (0.0, 0.0))
    value = min(max(hanging.value, cleat.psi_deg - inward), cleat.psi_deg + outward)
    return Measured(value, combine(hanging.u, u_free_deg), "deg", "hanging foot, held by the float")


def float_margin_after(
    before: PlanInputs, after: PlanInputs, side: str, u_free_deg: float
) -> Measured | None:
    """The smallest distance to an end of the float once the cleat is turned (never below 0), deg."""
    ridden, now, cleat = riding_yaw(before, side), float_margin(before, side), after.cleats.get(side)
    if ridden is None or now is None or cleat is None:
        return now
    inward, outward = before.float_window_deg[side]
    half = (ridden[1].value - ridden[0].value) / 2
    middle = (ridden[1].value + ridden[0].value) / 2 + (
        yaw_after(before, after, side, u_free_deg).value - yaw_deg(before, side).value
    )
    inner, outer = middle - half - (cleat.psi_deg - inward), cleat.psi_deg + outward - middle - half
    return Measured(max(0.0, min(inner, outer)), combine(now.u, u_free_deg), "deg", "predicted")
