"""The whole chain on the simulated riders of the demo, whose geometry and response are made by other code.

Simulated: mean cycle curves straight from the 3-D rider (no film); the rider then settles on the changed bike in his
own way, with a share of the rigid change that the plan does not know.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.body.measures import BodyMeasures
from fitwright.demo.motion3d import one_leg, settle
from fitwright.demo.riders import FIRST, SECOND, SimRider, SimSetup, apply
from fitwright.foot.sole import SolePoint
from fitwright.linkage.calibrate import calibrate
from fitwright.linkage.first_guess import first_guess
from fitwright.motion.angles import joint_angles
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.make import make_plan, whatif
from fitwright.plan.outcome import compare
from fitwright.quantity import Measured

POINTS = {
    "hip": "greater_trochanter", "knee": "lateral_femoral_condyle", "malleolus": "lateral_malleolus",
    "axle": "pedal_axle",
}  # fmt: skip
SIDE = "right"


def ride_of(rider: SimRider, setup: SimSetup) -> RideResult:
    """Mean curves of one side as a side view would give them."""
    theta = np.radians(np.arange(360.0))
    points = one_leg(rider, setup, settle(rider, setup), SIDE, theta, {})
    flat = {k: v[:, :2] for k, v in points.items()}
    angles = joint_angles(flat)
    curves = {}
    for short, name in POINTS.items():
        for axis, column in (("x", 0), ("y", 1)):
            curves[f"{short}_{axis}"] = _curve(f"{short}_{axis}", "mm", flat[name][:, column])
    curves["knee_flexion"] = _curve("knee_flexion", "deg", angles["knee_flexion"])
    curves["sole_pitch"] = _curve("sole_pitch", "deg", angles["sole_pitch"])
    knee = angles["knee_flexion"]
    values = {"min": knee.min(), "max": knee.max(), "bdc": knee[180]}
    quantities = {"knee_flexion_deg": {k: Measured(float(v), 2.0, "deg") for k, v in values.items()}}
    return RideResult("side", Measured(87, 0.3, "rpm"), {SIDE: 15}, {SIDE: quantities}, {SIDE: curves},
                      {"dimension": "2-D", "state": "dynamic"})  # fmt: skip


def _curve(name: str, unit: str, mean: np.ndarray) -> CycleCurve:
    return CycleCurve(name, unit, mean, np.full(360, 1.5), np.full(360, 2.0), 15)


def inputs_of(rider: SimRider) -> PlanInputs:
    body = BodyMeasures(rider.stature_mm, "M" if rider.sex == "male" else "F", inseam_mm=rider.inseam_mm)
    contact, leg = rider.setup.contact, rider.leg(SIDE)
    cleat = replace(rider.setup.cleat_pose(SIDE), covariance=np.diag([0.2, 0.2, 0.3]) ** 2)
    ride = ride_of(rider, rider.setup)
    twin = calibrate(ride, SIDE, first_guess(body, contact, SIDE, cleat, rider.stack_mm))
    marks = tuple(SolePoint(*m, np.eye(2) * 0.5) for m in (leg.m1_mm, leg.m5_mm))
    return PlanInputs(
        "road", ride, {SIDE: twin}, contact, cleats={SIDE: cleat}, marks={SIDE: (marks[0], marks[1])},
        hanging_yaw_deg={SIDE: Measured(leg.hanging_yaw_deg, 0.8, "deg")},
        float_window_deg={SIDE: (rider.float_in_deg, rider.float_out_deg)},
    )  # fmt: skip


@pytest.mark.parametrize("rider", [FIRST, SECOND], ids=["first", "second"])
def test_twin_finds_the_simulated_leg(rider):
    """Shank within 3 mm of the true one and the knee's curve within 0.3° (the legs are not quite planar)."""
    twin = inputs_of(rider).twins[SIDE]
    assert twin.leg.shank_mm == pytest.approx(rider.leg(SIDE).shank_mm, abs=3.0)
    assert twin.extra["knee_flexion_rms_deg"] < 0.3
    assert twin.residual_rms_mm < 6


@pytest.mark.parametrize("rider", [FIRST, SECOND], ids=["first", "second"])
@pytest.mark.parametrize("height", [-15, -8, 6])
def test_prediction_holds_when_the_rider_settles(rider, height):
    """The simulated rider's own answer lies in the 95 % interval of the predicted change, at the bottom."""
    inputs = inputs_of(rider)
    after = ride_of(rider, apply(rider.setup, "saddle_height_mm", height))
    for p in whatif(inputs, {"saddle_height_mm": height}):
        if p.id.endswith(("flexion_deg.min", "flexion_deg.bdc")):
            seen = after.value(SIDE, "knee_flexion_deg", p.id.rsplit(".", 1)[1])
            result = compare(p, seen)
            assert abs(result.measured.value - result.predicted.value) < 1.96 * result.predicted.u + 0.2
            assert np.sign(result.measured.value) == np.sign(result.predicted.value)


@pytest.mark.parametrize("rider", [FIRST, SECOND], ids=["first", "second"])
def test_doing_the_plan_brings_the_rider_inside(rider):
    """Each planned change is made in the simulation; what was acted on then lies in its band."""
    inputs = inputs_of(rider)
    plan = make_plan(inputs)
    assert rider is SECOND or plan.changes  # the second rider sits inside already
    assert all("15 mm at most" in u for u in plan.unmet)
    setup = rider.setup
    for change in plan.changes:
        setup = apply(setup, change.adjustable, change.delta)
    u = inputs.cleats[SIDE].covariance
    cleats = {SIDE: replace(setup.cleat_pose(SIDE), covariance=u)}
    done = replace(inputs, ride=ride_of(rider, setup), contact=setup.contact, cleats=cleats)
    again = make_plan(done)
    served = {w.split(":")[0] for c in plan.changes for w in c.why}
    assert all(f.probability_in >= 0.5 for f in again.findings if f.id in served)
    assert again.changes == ()
