"""Predicted intervals against simulated riders who answer a change in their own way, not in the prior's.

The riders close in three dimensions and settle on the changed bike by code that knows nothing of the twin's shares
(`demo.motion3d`): pelvis and heel give way, and the knee realises a share drawn about 0.62, where the published prior
says 0.48. They come one after another; each is predicted before he is measured, and teaches the archive afterwards.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bench.measurement import Measurement, Row
from fitwright.body.measures import BodyMeasures
from fitwright.demo.motion3d import one_leg, settle
from fitwright.demo.riders import FIRST, Leg, SimRider, SimSetup, apply
from fitwright.linkage.calibrate import calibrate
from fitwright.linkage.first_guess import first_guess
from fitwright.linkage.learning import Pair, from_riders, updated
from fitwright.linkage.response import ResponseModel, expected_change
from fitwright.linkage.twin import LegTwin
from fitwright.motion.angles import joint_angles
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Floats, Measured

RIDERS = 600
SHARE, SHARE_SD = 0.62, 0.13
SEM_DEG = 1.0  # one angle of one ride, the same stickers; as `plan.outcome` takes it
Z80 = 1.2815515655446004
POINTS = {
    "hip": "greater_trochanter", "knee": "lateral_femoral_condyle", "malleolus": "lateral_malleolus",
    "axle": "pedal_axle",
}  # fmt: skip
EVENTS = (
    ("knee_flexion_deg", "min"), ("knee_flexion_deg", "max"), ("ankle_plantarflexion_deg", "max"),
    ("ankle_plantarflexion_deg", "min"),
)  # fmt: skip
SIDE = "right"


def rider(rng: np.random.Generator) -> SimRider:
    """A rider of 1.55 to 1.95 m with legs, saddle and response of his own."""
    size = float(np.clip(rng.normal(1.0, 0.05), 0.87, 1.1))
    share = float(np.clip(rng.normal(SHARE, SHARE_SD), 0.1, 1.1))

    def own(leg: Leg) -> Leg:
        return replace(
            leg, thigh_mm=leg.thigh_mm * size * rng.normal(1, 0.01),
            shank_mm=leg.shank_mm * size * rng.normal(1, 0.01),
            pitch_mean_deg=leg.pitch_mean_deg + rng.normal(0, 3), knee_share=share,
        )  # fmt: skip

    contact = FIRST.setup.contact
    away = (FIRST.right.thigh_mm + FIRST.right.shank_mm) * (size - 1)  # the saddle follows the leg
    height = contact.saddle_height_mm + away - rng.uniform(4, 22)
    setup = replace(FIRST.setup, contact=contact.with_saddle(height))
    habits = replace(FIRST.habits, pelvis_mm_per_deg=float(rng.uniform(0.0, 0.7)))
    return replace(
        FIRST, left=own(FIRST.left), right=own(FIRST.right), habits=habits, setup=setup,
        stature_mm=FIRST.stature_mm * size, inseam_mm=FIRST.inseam_mm * size,
    )  # fmt: skip


def ridden(
    one: SimRider, setup: SimSetup, side: str = SIDE
) -> tuple[RideResult, dict[tuple[str, str], float]]:
    """Mean curves as a side view gives them, and the true angle at each of `EVENTS`."""
    points = one_leg(one, setup, settle(one, setup), side, np.radians(np.arange(360.0)), {})
    flat = {k: v[:, :2] for k, v in points.items()}
    angles = joint_angles(flat)
    curves = {
        f"{short}_{axis}": curve(f"{short}_{axis}", "mm", flat[name][:, k])
        for short, name in POINTS.items() for k, axis in enumerate("xy")
    }  # fmt: skip
    curves |= {n: curve(n, "deg", angles[n]) for n in ("knee_flexion", "sole_pitch")}
    ride = RideResult("side", Measured(87, 0.3, "rpm"), {side: 15}, {side: {}}, {side: curves},
                      {"dimension": "2-D", "state": "dynamic"})  # fmt: skip
    truth = {
        (q, e): float(getattr(angles[q.removesuffix("_deg")], e)()) for q, e in EVENTS
    }  # fmt: skip
    return ride, truth


def curve(name: str, unit: str, mean: Floats) -> CycleCurve:
    """A mean curve of 15 turns."""
    return CycleCurve(name, unit, mean, np.full(360, 1.5), np.full(360, 2.0), 15)


@dataclass(frozen=True)
class Change:
    """One change of one rider's saddle: by quantity, deg per unit of each share, and what it truly did (deg)."""

    by_share: dict[tuple[str, str], tuple[float, ...]]
    truth: dict[tuple[str, str], float]

    def pairs(self, rng: np.random.Generator) -> list[Pair]:
        """What is measured, with the error of two rides."""
        u = float(np.sqrt(2) * SEM_DEG)
        return [
            Pair(row, Measured(self.truth[k] + rng.normal(0, u), u, "deg"))
            for k, row in self.by_share.items()
        ]

    def held(self, model: ResponseModel) -> list[bool]:
        """By quantity: whether the predicted 80 % interval contains what the change truly did."""
        out = []
        for key, row in self.by_share.items():
            d = np.array(row)
            miss = self.truth[key] - float(d @ model.vector)
            out.append(abs(miss) <= Z80 * float(np.sqrt(d @ model.matrix @ d)))
        return out


def two_changes(rng: np.random.Generator) -> tuple[Change, Change]:
    """One rider, his saddle changed twice by what is usual in a visit."""
    one = rider(rng)
    body = BodyMeasures(one.stature_mm, "M", inseam_mm=one.inseam_mm)
    made, setup = [], one.setup
    before, angles = ridden(one, setup)
    for _ in range(2):
        contact = setup.contact
        cleat = setup.cleat_pose(SIDE)
        twin: LegTwin = calibrate(before, SIDE, first_guess(body, contact, SIDE, cleat, one.stack_mm)).leg
        deltas = {"saddle_height_mm": float(rng.choice([-15, -12, -9, -6, 5, 8]))}
        by_share = {k: expected_change(twin, contact, deltas, *k, ResponseModel()).by_share for k in EVENTS}
        setup = apply(setup, "saddle_height_mm", deltas["saddle_height_mm"])
        before, after = ridden(one, setup)
        made.append(Change(by_share, {k: after[k] - angles[k] for k in EVENTS}))
        angles = after
    return made[0], made[1]


def everyone(n: int, seed: int) -> Iterator[tuple[Change, Change]]:
    """n riders; one whom no set-up suits (the leg would not reach) is drawn again."""
    rng = np.random.default_rng(seed)
    while n:
        try:
            yield two_changes(rng)
        except ValueError:
            continue
        n -= 1


def coverage() -> list[Row]:
    """Share of predicted 80 % intervals that hold the simulated outcome."""
    rng = np.random.default_rng(7)
    archive: list[Sequence[Pair]] = []
    prior = ResponseModel()
    held: dict[str, list[list[bool]]] = {"published": [], "archive": [], "own": []}
    for i, (first, second) in enumerate(everyone(RIDERS, 20)):
        if i <= 60 or i % 20 == 0:
            prior = from_riders(archive)
        pairs = first.pairs(rng)
        held["published"].append(first.held(ResponseModel()))
        held["archive"].append(first.held(prior))
        held["own"].append(second.held(updated(prior, pairs)))
        archive.append(pairs + second.pairs(rng))
    rate = {k: 100 * np.mean(v) for k, v in held.items()}
    knee = {k: 100 * float(np.mean([row[0] for row in v])) for k, v in held.items()}
    learnt = from_riders(archive).share("knee_bottom")
    how = f"simulated: {RIDERS} riders, knee and ankle at both ends; least knee flexion alone "
    return [
        Row("first change, published prior only", float(rate["published"]), "%", "",
            f"{how}{knee['published']:.0f} %; the riders' share is {SHARE} ± {SHARE_SD}, the prior says 0.48 ± 0.15"),
        Row("first change, prior from the riders before", float(rate["archive"]), "%", "75 to 87",
            f"least knee flexion alone {knee['archive']:.0f} %; learnt {learnt.value:.2f} ± {learnt.u:.2f}"),
        Row("second change, the rider's own first one known", float(rate["own"]), "%", "75 to 87",
            f"least knee flexion alone {knee['own']:.0f} %; each angle measured to ± {SEM_DEG:g}° a ride"),
    ]  # fmt: skip


MEASUREMENTS = (Measurement("riders", "Predicted 80 % intervals that hold what a rider does", coverage),)
