"""A simulated visit with known faults: saddle high, left cleat far forward and turned in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from fitwright.bike.contact import ContactPoints
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.linkage.leg import THETA_DEG, extremes, solve
from fitwright.linkage.twin import CalibratedTwin, LegTwin
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.red_flags import QUESTIONS
from fitwright.quantity import Measured

LEG = LegTwin(411.0, 421.5, 124.5, 105.0, 172.5, -196.5, 767.8, 15.0, (-6.0, -0.8), (10.4, 0.8))
CONTACT = ContactPoints(727, 206.5, 478, 632, 172.5, 148, 53)


def _ride(leg: LegTwin, u_deg: float, trunk_deg: float) -> RideResult:
    pose, e = solve(leg), extremes(leg)
    mean = np.asarray(pose.knee_flexion_deg, dtype=float)
    curve = CycleCurve("knee_flexion", "deg", mean, np.full(360, 1.0), np.full(360, u_deg), 20)
    values = {"min": e.low, "max": e.high, "bdc": float(mean[180])}
    quantities = {
        "knee_flexion_deg": {k: Measured(v, u_deg, "deg", "film") for k, v in values.items()},
        "trunk_inclination_deg": {"mean": Measured(trunk_deg, 1.5, "deg", "film")},
    }
    assert THETA_DEG.size == mean.size
    return RideResult(
        "side", Measured(88, 0.3, "rpm"), {"right": 20}, {"right": quantities}, {"right": {"knee_flexion": curve}},
        {"dimension": "2-D", "state": "dynamic"},
    )  # fmt: skip


def _front(values: dict[str, tuple[float, float, float]]) -> RideResult:
    def side(travel: float, low: float, high: float) -> dict[str, dict[str, Measured]]:
        return {
            "knee_path_mm": {"range": Measured(travel, 1.5, "mm"), "mean": Measured(-10, 2, "mm")},
            "foot_yaw_deg": {
                "min": Measured(low, 0.7, "deg"), "max": Measured(high, 0.7, "deg"),
                "mean": Measured((low + high) / 2, 0.7, "deg"),
            },
        }  # fmt: skip

    return RideResult(
        "front", Measured(88, 0.3, "rpm"), {"left": 20, "right": 20},
        {s: side(*v) for s, v in values.items()}, {}, {"dimension": "2-D", "state": "dynamic"},
    )  # fmt: skip


def _point(x: float, z: float) -> SolePoint:
    return SolePoint(x, z, np.eye(2) * 0.5)


def _cleat(x: float, z: float, psi: float) -> CleatPose:
    return CleatPose(x, z, psi, np.diag([0.2, 0.2, 0.3]) ** 2, "photo")


@pytest.fixture(scope="session")
def visit() -> Callable[..., PlanInputs]:
    """Inputs of the simulated visit; keyword arguments replace fields, `leg` and `u_deg` make another ride."""

    def make(leg: LegTwin = LEG, u_deg: float = 2.0, trunk_deg: float = 40.0, **fields: Any) -> PlanInputs:
        twin = CalibratedTwin(leg, ("thigh_mm",), np.eye(1), 0.5)
        inputs = PlanInputs(
            "road", _ride(leg, u_deg, trunk_deg), {"right": twin}, CONTACT,
            front_ride=_front({"left": (17, 5.5, 7.0), "right": (9, 5.0, 8.6)}),
            cleats={"left": _cleat(193, 1, 2.5), "right": _cleat(186, 1.5, 6.5)},
            marks={"left": (_point(200, -37.5), _point(170.5, 45)), "right": (_point(201, -38), _point(172, 44))},
            hanging_yaw_deg={"left": Measured(10.5, 0.8, "deg"), "right": Measured(7, 0.8, "deg")},
            float_window_deg={"left": (4.5, 4.5), "right": (4.5, 4.5)},
            red_flags={q.id: False for q in QUESTIONS}, pain={"knee_left": 4},
        )  # fmt: skip
        return replace(inputs, **fields)

    return make


@pytest.fixture(scope="session")
def good_leg() -> LegTwin:
    """The same leg on a saddle 12.8 mm lower: least flexion near 34°."""
    return replace(LEG, hip_y_mm=LEG.hip_y_mm - 12.8)
