"""An invented visit that was ridden: Intake, Body and Bike typed, and a ride computed from its own leg."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fitwright.errors import InputError
from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured
from fitwright.records.models import Bike, Visit
from fitwright.studio import bike, body, intake, plan
from fitwright.studio.entry import Ask
from fitwright.studio.visits import analyse, new_rider, open_visit

BIKE = {
    "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
    "crank_mm": "172.5", "q_factor_mm": "148", "pedal_offset_mm": "53",
}  # fmt: skip
BODY = {"height_mm": "1720", "inseam_mm": "805", "hanging_foot_left": "7", "hanging_foot_right": "11"}
SAID = {"goal": "Ride four hours", "consent": "yes", "pain.knee_left": "4", "pain.lower_back": "1"}
METHOD = {"dimension": "2-D", "state": "dynamic"}


def typed_visit(
    bike_typed: dict[str, str] | None = None, body_typed: dict[str, str] | None = None, use: str = "road"
) -> Visit:
    """A visit with Intake (no red flag), Body and Bike filled in."""
    rider = new_rider("Ilse Varga", sex="F", simulated=True)
    visit = open_visit(rider, use=use, bike=Bike.objects.create(rider=rider, name="grey bike"))
    said = SAID | {f.name: "no" for f in intake.flag_fields()}
    for save, typed in (
        (intake.save_intake, said), (body.save_body, BODY | (body_typed or {})),
        (bike.save_bike, BIKE | (bike_typed or {})),
    ):  # fmt: skip
        asked = {
            n: e for n, e in save(visit, typed).errors.items() if isinstance(e, Ask)
        }  # unusual, but right
        errors = save(visit, typed | {f"{n}.keep": e.keep for n, e in asked.items()}).errors
        assert not errors, errors
    return visit


def ride_it(
    visit: Visit, leg: LegTwin | None = None, when: str = "before", method: dict[str, str] | None = None
) -> Visit:
    """Put a ride of this leg from the right on record (default: the visit's own first guess)."""
    leg = leg or guess(visit)
    pose = solve(leg)
    names = {
        "hip_x": pose.hip_x, "hip_y": pose.hip_y, "knee_x": pose.knee_x, "knee_y": pose.knee_y,
        "malleolus_x": pose.malleolus_x, "malleolus_y": pose.malleolus_y, "axle_x": pose.axle_x,
        "axle_y": pose.axle_y,
    }  # fmt: skip
    curves = {n: curve(n, "mm", v + 0 * pose.knee_x) for n, v in names.items()}
    curves["knee_flexion"] = curve("knee_flexion", "deg", pose.knee_flexion_deg)
    curves["sole_pitch"] = curve("sole_pitch", "deg", pose.pitch_deg + 0 * pose.knee_x)
    flexion = pose.knee_flexion_deg
    values = {"min": flexion.min(), "max": flexion.max(), "bdc": flexion[180]}
    side = RideResult(
        "side", Measured(88.0, 0.1, "rpm"), {"right": 30},
        {"right": {"knee_flexion_deg": {e: Measured(float(v), 1.5, "deg") for e, v in values.items()}}},
        {"right": curves}, method or METHOD,
    )  # fmt: skip
    analyse(visit, "ride", f"side right {when}", {"ride": side.to_json(), "tracks": {}})
    return visit


def guess(visit: Visit) -> LegTwin:
    """The visit's first guess of the right leg."""
    return plan.guessed_twin(visit, "right", "before").leg


def lifted(visit: Visit, mm: float) -> LegTwin:
    """The guessed leg with its hip so much higher: a saddle that is too high by about that."""
    leg = guess(visit)
    return replace(leg, hip_y_mm=leg.hip_y_mm + mm)


def at_flexion(visit: Visit, least_deg: float) -> LegTwin:
    """The guessed leg with its hip so high that the knee is bent this much at its straightest."""
    low, high = -120.0, 60.0
    for _ in range(40):
        middle = (low + high) / 2
        try:
            bent = float(solve(lifted(visit, middle)).knee_flexion_deg.min())
        except InputError:  # out of reach is too high
            bent = 0.0
        low, high = (middle, high) if bent > least_deg else (low, middle)
    return lifted(visit, low)


def curve(name: str, unit: str, mean: np.ndarray) -> CycleCurve:
    """A mean curve with plain spreads."""
    return CycleCurve(name, unit, np.asarray(mean, float), np.full(360, 0.8), np.full(360, 0.6), 30)
