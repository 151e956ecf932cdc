"""The turn that tape and bike lead one to expect before any film: the first guess's knee, each value with its ±.

It lets a bolt be tried before the rider was filmed. Everything in it is an estimate: it is described, no plan acts on
it and no prediction is tested by it. The ankle is left out, because no tape tells how far a rider moves it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from fitwright.linkage.leg import THETA_DEG, pitch_deg, pose_arrays, whole_turn
from fitwright.linkage.twin import CalibratedTwin
from fitwright.motion.events import curve_events
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Floats, Measured, combine, propagate

METHOD = {"dimension": "2-D", "state": "dynamic", "landmarks": "none: lengths by tape, no film"}
U_PITCH_SIZE = 0.5
"""Standard uncertainty of the size of the foot's rocking, as a share of it; our assumption, no source."""
EVENTS = ("min", "max", "bdc", "range")
NOTE = (
    "No film yet: the knee is reckoned from tape and bike, as an estimate that no plan acts on. Film the ride to "
    "replace it by what the rider does."
)


def is_reckoned(ride: RideResult) -> bool:
    """Whether nobody rode it: reckoned, not filmed."""
    return dict(ride.method) == METHOD


def reckoned_ride(twins: Mapping[str, CalibratedTwin]) -> RideResult:
    """What the knee is expected to do by side, from first guesses (`first_guess`).

    Returns:
        a ride seen from the side with "knee_flexion" alone (curve (360,) deg; events "min", "max", "bdc", "range");
        no turn was counted, and the cadence is 0 ± 0.

    Raises:
        InputError: a leg that cannot reach the pedal (says at which crank angle and by how much).
    """
    knees = {side: _knee(twin) for side, twin in twins.items()}
    return RideResult(
        "side", Measured(0.0, 0.0, "rpm", "not ridden"), dict.fromkeys(twins, 0),
        {side: {"knee_flexion_deg": events} for side, (_, events) in knees.items()},
        {side: {"knee_flexion": curve} for side, (curve, _) in knees.items()}, METHOD,
        notes=tuple(dict.fromkeys((NOTE, *(w for twin in twins.values() for w in twin.warnings[1:])))),
        guessed=("leg lengths by tape",),
    )  # fmt: skip


def u_reach_mm(twin: CalibratedTwin) -> float:
    """Standard uncertainty of how far the leg reaches below its saddle: thigh, shank and hip height together, mm."""
    u = np.sqrt(np.diag(twin.covariance))
    return combine(*(float(u[twin.names.index(name)]) for name in ("thigh_mm", "shank_mm", "hip_y_mm")))


def _knee(twin: CalibratedTwin) -> tuple[CycleCurve, dict[str, Measured]]:
    """Curve and events of one knee with the first guess's covariance carried through to each (JCGM 100, 5.2)."""
    leg, n = twin.leg, len(twin.names)
    whole_turn(leg)  # refuses what the leg cannot reach
    mean: Floats = np.array([*(getattr(leg, name) for name in twin.names), 1.0])
    covariance = np.zeros((n + 1, n + 1))
    covariance[:n, :n], covariance[n, n] = twin.covariance, U_PITCH_SIZE**2

    def told(values: Floats) -> Floats:
        lengths: dict[str, Any] = dict(zip(twin.names, map(float, values[:n]), strict=True))
        own, size = replace(leg, **lengths), values[n]
        cos, sin = size * np.array(leg.pitch_cos_deg), size * np.array(leg.pitch_sin_deg)
        curve = pose_arrays(
            thigh=own.thigh_mm, shank=own.shank_mm, a=own.axle_to_malleolus_x_mm, b=own.axle_to_malleolus_y_mm,
            crank=own.crank_mm, hip_x=own.hip_x_mm, hip_y=own.hip_y_mm, theta_deg=THETA_DEG,
            beta_deg=pitch_deg(own.pitch_mean_deg, cos, sin, THETA_DEG),
        ).knee_flexion_deg  # fmt: skip
        events = curve_events(curve[None])
        return np.concatenate([curve, [float(events[e][0]) for e in EVENTS]])

    value, spread = propagate(told, mean, covariance)
    u = np.sqrt(np.diag(spread))
    curve = CycleCurve("knee_flexion", "deg", value[:360], np.zeros(360), u[:360], 0, estimate=True)
    return curve, {
        e: Measured(
            float(value[360 + k]), float(u[360 + k]), "deg", "reckoned from tape and bike", estimate=True
        )
        for k, e in enumerate(EVENTS)
    }
