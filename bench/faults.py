"""A plan for a rider on whom nearly everything is wrong, and a what-if with both drawings; without any film.

Simulated: the first rider of the demo in three dimensions, with saddle, cleats, spacers and bar set wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import TypeVar

import numpy as np

from bench.measurement import Measurement, Row, seconds
from bench.riders import EVENTS, curve, ridden
from fitwright.body.measures import BodyMeasures
from fitwright.demo.riders import FIRST, SIDES, SimSetup, apply
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.linkage.calibrate import calibrate
from fitwright.linkage.first_guess import first_guess
from fitwright.linkage.frontal import first_frontal, knee_path
from fitwright.linkage.leg import solve, whole_turn
from fitwright.linkage.response import angle_at_event, heel_per_mm, settled
from fitwright.linkage.upper_body import UpperBody
from fitwright.motion.ride import RideResult
from fitwright.plan.findings import find_all
from fitwright.plan.forecast import Forecast, make_forecast
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.make import make_plan, whatif
from fitwright.plan.search import task_of
from fitwright.plan.targets import DYNAMIC_2D, TARGETS
from fitwright.plan.types import Target
from fitwright.quantity import Measured
from fitwright.sheets.front_drawing import FrontFigure, front_svg
from fitwright.sheets.rider_drawing import RiderFigure, rider_svg

T = TypeVar("T")
OWN_BANDS = (
    Target("knee_flexion_deg.max", "Greatest knee flexion", 100, 116, "deg", "made up", "practice", DYNAMIC_2D),
    Target("knee_path_mm.mean", "Knee outward", -6, 6, "mm", "made up", "practice", {"state": "dynamic"}),
)  # fmt: skip
WRONG = {"saddle_height_mm": 3.0, "saddle_setback_mm": -4.0}
TRIED = {"saddle_height_mm": -8.0, "cleat_x_mm_right": -3.0, "cleat_psi_deg_left": 2.0, "spacer_mm_left": 2.0}


@lru_cache(maxsize=1)
def everything_wrong() -> PlanInputs:
    """Both sides ridden, twins fitted to each, cleats and trunk outside their bands."""
    setup = FIRST.setup
    for name, delta in WRONG.items():
        setup = apply(setup, name, delta)
    cleats = {
        "left": CleatPose(setup.cleat_left[0] + 1, -1.0, 3.5, np.diag([0.2, 0.2, 0.3]) ** 2, "simulated"),
        "right": CleatPose(setup.cleat_right[0] - 6, 1.0, 10.5, np.diag([0.2, 0.2, 0.3]) ** 2, "simulated"),
    }
    body = BodyMeasures(FIRST.stature_mm, "M", inseam_mm=FIRST.inseam_mm)
    rides = {side: _side(setup, side) for side in SIDES}
    ride = replace(
        rides["right"], cycles=dict.fromkeys(SIDES, 15),
        quantities={s: r.quantities[s] for s, r in rides.items()} | {"both": TRUNK},
        curves={s: r.curves[s] for s, r in rides.items()},
    )  # fmt: skip
    twins = {
        s: calibrate(ride, s, first_guess(body, setup.contact, s, cleats[s], FIRST.stack_mm)) for s in SIDES
    }
    yaw = Measured(7.0, 0.8, "deg")
    paths = {
        s: knee_path(first_frontal(setup.contact.pedal_out_mm(s), cleats[s].z_mm, yaw), solve(twins[s].leg))
        + 35
        for s in SIDES
    }
    front = RideResult(
        "front", ride.cadence_rpm, ride.cycles,
        {s: {"knee_path_mm": {"mean": Measured(float(p.mean()), 1.5, "mm")},
             "foot_yaw_deg": {e: Measured(7.0 + d, 0.7, "deg") for e, d in (("min", -2), ("max", 2), ("mean", 0))}}
         for s, p in paths.items()},
        {s: {"knee_path": curve("knee_path", "mm", p)} for s, p in paths.items()}, dict(DYNAMIC_2D),
    )  # fmt: skip
    legs = {s: FIRST.leg(s) for s in SIDES}
    return PlanInputs(
        "road", ride, twins, setup.contact, front_ride=front, cleats=cleats,
        marks={s: tuple(SolePoint(*m, np.eye(2) * 0.5) for m in (g.m1_mm, g.m5_mm)) for s, g in legs.items()},
        hanging_yaw_deg=dict.fromkeys(SIDES, yaw), float_window_deg=dict.fromkeys(SIDES, (4.5, 4.5)),
        upper=UpperBody(FIRST.trunk_mm, FIRST.upper_arm_mm, FIRST.forearm_mm), act_on_opinion=True,
        targets=(*TARGETS, *OWN_BANDS),
    )  # fmt: skip


TRUNK = {"trunk_inclination_deg": {"mean": Measured(29.0, 1.0, "deg")}}


def _side(setup: SimSetup, side: str) -> RideResult:
    """One side with its angles at their events, each with u = 1.5°."""
    ride, truth = ridden(FIRST, setup, side)
    found: dict[str, dict[str, Measured]] = {}
    for quantity, event in EVENTS:
        found.setdefault(quantity, {})[event] = Measured(truth[quantity, event], 1.5, "deg")
    return replace(ride, quantities={side: found})


def planning() -> list[Row]:
    """Three alternatives, and a what-if without and with its drawings."""
    inputs = everything_wrong()
    task = task_of(inputs, find_all(inputs))
    plan = make_plan(inputs)
    size = f"simulated: {len(task.moves)} adjustables, {len(task.findings)} quantities with a band"
    forecast = make_forecast(inputs, find_all(inputs))
    plan_s = seconds(lambda: cold(lambda: make_plan(inputs)), 5)
    anew_s = seconds(lambda: cold(lambda: whatif(inputs, TRIED)))
    drawn_s = seconds(lambda: cold(lambda: _drawn(forecast)))
    return [
        Row("adjustables that may be turned", len(task.moves), "", "≥ 8"),
        Row("quantities with a band", len(task.findings), "", "≥ 10"),
        Row("plan with three alternatives", plan_s, "s", "≤ 1",
            f"{size}; {len(plan.changes)} changes, {', '.join(a.key for a in plan.alternatives)}"),
        Row("what-if of four changes, findings and twins made anew", 1000 * anew_s,
            "ms", "≤ 50"),
        Row("what-if of four changes with both drawings", 1000 * drawn_s, "ms", "≤ 50",
            "forecast at hand, as on the page"),
    ]  # fmt: skip


def cold(work: Callable[[], T]) -> T:
    """The work with nothing remembered of the settings that were tried before."""
    for remembering in (angle_at_event, heel_per_mm, whole_turn):
        remembering.cache_clear()
    return work()


def _drawn(known: Forecast) -> tuple[object, str, str]:
    """All predictions, the rider from the side and the knee paths from the front."""
    forecast, inputs = replace(known, _told={}), known.inputs
    twin = inputs.twins["right"].leg
    after = forecast.setting.changed(TRIED)
    side = RiderFigure(
        leg=twin, contact=inputs.contact,
        predicted=settled(twin, inputs.contact, {"saddle_height_mm": -8.0, "cleat_x_mm": -3.0}, inputs.response),
        saddle_predicted_mm=after.contact.saddle_xy_mm,
    )  # fmt: skip
    paths = {s: c["knee_path"] for s, c in (inputs.front_ride.curves if inputs.front_ride else {}).items()}
    changed = {s: forecast.path_change(s, after, TRIED) for s in SIDES}
    front = FrontFigure(
        knee_path=paths, leg=dict.fromkeys(SIDES, twin), contact=inputs.contact,
        predicted={s: replace(paths[s], mean=paths[s].mean + c[0]) for s, c in changed.items() if c is not None},
    )  # fmt: skip
    predictions = forecast.predictions({}, TRIED, only_moved=False)
    return predictions, rider_svg(side, "page", 560.0, 430.0), front_svg(front, "page", 460.0, 430.0)


MEASUREMENTS = (Measurement("faults", "Plan: a rider on whom nearly everything is wrong", planning),)
