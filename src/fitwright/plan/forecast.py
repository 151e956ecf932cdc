"""What a set of changes is expected to do to every watched quantity: the nonlinear twins plus the rider's response.

A forecast is made from the inputs and the findings once; `expected(deltas)` then gives each quantity's expected
value ± u after the changes (u: today's measurement and the response together). Names of changes as in
`adjustables`. Pure and quick: a few ms.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fitwright.errors import InputError
from fitwright.linkage.first_guess import other_leg
from fitwright.linkage.frontal import (
    FrontalChange,
    FrontalLeg,
    event_change,
    first_frontal,
    fitted,
    path_change,
)
from fitwright.linkage.leg import whole_turn
from fitwright.linkage.reckoned import is_reckoned, u_reach_mm
from fitwright.linkage.response import expected_change
from fitwright.linkage.sensitivity import SAGITTAL, moved
from fitwright.linkage.twin import LegTwin
from fitwright.linkage.upper_body import close_upper, elbow_for_trunk
from fitwright.plan import reading
from fitwright.plan.adjustables import Setting, canonical, split
from fitwright.plan.inputs import SIDES, PlanInputs
from fitwright.plan.types import Finding, Prediction
from fitwright.quantity import Floats, Measured, combine

WATCHED = (
    ("knee_flexion_deg.min", "Least knee flexion"),
    ("knee_flexion_deg.bdc", "Knee flexion at bottom dead centre"),
    ("knee_flexion_deg.max", "Greatest knee flexion"),
    ("ankle_plantarflexion_deg.max", "Ankle, most pointed"),
    ("ankle_plantarflexion_deg.min", "Ankle, most lifted"),
    ("ankle_plantarflexion_deg.range", "Ankle range over the turn"),
    ("knee_path_mm.mean", "Knee outward of the pedal, mean"),
)
_CLEAT = ("cleat_x_mm", "cleat_z_mm", "cleat_psi_deg")
MOVED_BY: Mapping[str, tuple[str, ...]] = {
    "knee_flexion_deg": SAGITTAL,
    "ankle_plantarflexion_deg": SAGITTAL,
    "knee_path_mm": (*SAGITTAL, "cleat_z_mm", "cleat_psi_deg", "spacer_mm"),
    "trunk_inclination_deg": ("saddle_height_mm", "saddle_setback_mm", "hood_x_mm", "hood_y_mm"),
    "axle_under_foot": _CLEAT,
    "cleat_rotation_deg": _CLEAT,
    "float_margin_deg": _CLEAT,
}
"""Which kinds of adjustables move a quantity; anything else leaves it as it is."""
TRUNK_SHARE = Measured(0.7, 0.3, "1", "share of the two-circle closure; our assumption, no source")
U_YAW_AFTER_DEG = 2.0  # where a freed foot settles is not known to better than this; our assumption


@dataclass(frozen=True)
class Watched:
    """One quantity under forecast: `right.knee_flexion_deg.min`, its label and today's value."""

    side: str
    key: str
    label: str
    now: Measured

    @property
    def id(self) -> str:
        """Side and key in one."""
        return f"{self.side}.{self.key}"


@dataclass(frozen=True)
class Forecast:
    """Expected values after changes; see the module's text."""

    inputs: PlanInputs
    watched: tuple[Watched, ...]
    frontal: Mapping[str, FrontalLeg] = field(default_factory=dict)
    _told: dict[Hashable, Measured] = field(default_factory=dict, compare=False, repr=False)

    @property
    def setting(self) -> Setting:
        """Everything adjustable as it stands."""
        return Setting(self.inputs.contact, self.inputs.cleats)

    def expected(self, deltas: Mapping[str, float]) -> dict[str, Measured]:
        """id → expected value ± u after the changes (all made).

        Raises:
            InputError: a change that leaves the reach of hardware, bolts or leg (says where and by how much).
        """
        named = {canonical(k): v for k, v in deltas.items() if v != 0}
        after = self.setting.changed(named)
        for side in {split(n)[1] for n in named if n.startswith("cleat")} & self.inputs.bolting.keys():
            self.inputs.bolting[side].check(side, after.cleats[side])
        return {w.id: self._one(w, named, after) for w in self.watched}

    def predictions(
        self, before: Mapping[str, float], after: Mapping[str, float], only_moved: bool = True
    ) -> tuple[Prediction, ...]:
        """What going from one set of changes to another is expected to do (all quantities, or the moved ones)."""
        a, b = self.expected(before), self.expected(after)
        return tuple(
            Prediction(w.id, w.label, a[w.id], b[w.id])
            for w in self.watched
            if not only_moved
            or abs(b[w.id].value - a[w.id].value) > 1e-6
            or abs(b[w.id].u - a[w.id].u) > 1e-6
        )

    def _one(self, w: Watched, deltas: Mapping[str, float], after: Setting) -> Measured:
        """One quantity; what was asked for before, with the same of the bolts that it depends on, is told again."""
        kinds = MOVED_BY.get(w.key.rsplit(".", 1)[0], ())
        mine = {k: v for k, v in deltas.items() if split(k)[0] in kinds and split(k)[1] in ("", w.side)}
        if not mine:
            return w.now
        key = (w.id, *sorted(mine.items()))
        if key not in self._told:
            self._told[key] = self._worked_out(w, mine, after)
        return self._told[key]

    def _worked_out(self, w: Watched, deltas: Mapping[str, float], after: Setting) -> Measured:
        quantity, event = w.key.rsplit(".", 1)
        if quantity in ("knee_flexion_deg", "ankle_plantarflexion_deg"):
            change = self._joint(w.side, quantity, event, deltas)
        elif quantity == "knee_path_mm":
            change = self._knee_path(w.side, event, after, deltas)
        elif quantity == "trunk_inclination_deg":
            change = self._trunk(w, after, deltas)
        else:
            return self._cleat(w, quantity, after)
        return replace(w.now, value=w.now.value + change.value, u=combine(w.now.u, change.u),
                       method="predicted" if change.u else w.now.method)  # fmt: skip

    def _joint(self, side: str, quantity: str, event: str, deltas: Mapping[str, float]) -> Measured:
        leg = self._leg(side)
        if leg is None:
            return Measured(0.0, 0.0, "deg")
        planar = sagittal(deltas, side)
        whole_turn(moved(leg, self.inputs.contact, planar))  # refuses what the leg cannot reach
        change = self._expected(leg, planar, quantity, event)
        if not is_reckoned(self.inputs.ride):
            return change
        # By tape alone the leg's bend is hardly known, and a bent leg answers less than a straight one.
        lower = replace(leg, hip_y_mm=leg.hip_y_mm - u_reach_mm(self.inputs.twins[side]))
        return change.widened(self._expected(lower, planar, quantity, event).value - change.value)

    def _expected(self, leg: LegTwin, planar: Mapping[str, float], quantity: str, event: str) -> Measured:
        return expected_change(leg, self.inputs.contact, planar, quantity, event, self.inputs.response).total

    def _knee_path(self, side: str, event: str, after: Setting, deltas: Mapping[str, float]) -> Measured:
        change, front = self.path_change(side, after, deltas), self.inputs.front_ride
        if change is None or front is None:
            return Measured(0.0, 0.0, "mm")
        return event_change(front.curves[side]["knee_path"].mean, *change, event)

    def path_change(
        self, side: str, after: Setting, deltas: Mapping[str, float]
    ) -> tuple[Floats, Floats] | None:
        """The frontal twin's change of one knee path (360,) mm and its doubts; None where nothing moves it."""
        leg, frontal, planar = self._leg(side), self.frontal.get(side), sagittal(deltas, side)
        change = self.frontal_change(side, after, deltas)
        if leg is None or frontal is None or not (planar or change != FrontalChange()):
            return None
        return path_change(frontal, leg, moved(leg, self.inputs.contact, planar), change)

    def frontal_change(self, side: str, after: Setting, deltas: Mapping[str, float]) -> FrontalChange:
        """What the changes are to the frontal twin of one side."""
        yaw = self._yaw_change(side, after, deltas)
        return FrontalChange(
            deltas.get(f"spacer_mm_{side}", 0.0), deltas.get(f"cleat_z_mm_{side}", 0.0), yaw.value, yaw.u,
            deltas.get("saddle_height_mm", 0.0),
        )  # fmt: skip

    def _yaw_change(self, side: str, after: Setting, deltas: Mapping[str, float]) -> Measured:
        """How far the foot follows a turned cleat. A foot that was free inside its float stays, perhaps."""
        turned = deltas.get(f"cleat_psi_deg_{side}", 0.0)
        if not turned:
            return Measured(0.0, 0.0, "deg")
        new = replace(self.inputs, cleats=after.cleats)
        change = reading.yaw_after(self.inputs, new, side, U_YAW_AFTER_DEG).value
        change -= reading.yaw_deg(self.inputs, side).value
        return Measured(change, U_YAW_AFTER_DEG if change else abs(turned), "deg")

    def _leg(self, side: str) -> LegTwin | None:
        return leg_of(self.inputs, side)

    def _cleat(self, w: Watched, quantity: str, after: Setting) -> Measured:
        """Cleat quantities are geometry: they are read again from the new setting."""
        new = replace(self.inputs, cleats=after.cleats)
        if quantity == "axle_under_foot":
            value = reading.axle_under_foot(
                new, w.side, reading.yaw_after(self.inputs, new, w.side, U_YAW_AFTER_DEG)
            )
        elif quantity == "cleat_rotation_deg":
            value = reading.cleat_rotation(new, w.side)
        else:
            value = reading.float_margin_after(self.inputs, new, w.side, U_YAW_AFTER_DEG)
        return w.now if value is None else value

    def _trunk(self, w: Watched, after: Setting, deltas: Mapping[str, float]) -> Measured:
        """Trunk by the two-circle closure at today's elbow, hip carried along by the saddle."""
        upper, leg = self.inputs.upper, self._leg(w.side)
        if upper is None or leg is None:
            return Measured(0.0, 0.0, "deg")
        now, then = self.inputs.contact, after.contact
        hip = (leg.hip_x_mm, leg.hip_y_mm)
        new = moved(leg, now, {k: v for k, v in sagittal(deltas, w.side).items() if k.startswith("saddle")})
        try:
            elbow = elbow_for_trunk(upper, hip, (now.hood_x_mm, now.hood_y_mm), w.now.value)
            before = close_upper(upper, hip, (now.hood_x_mm, now.hood_y_mm), elbow)
            end = close_upper(upper, (new.hip_x_mm, new.hip_y_mm), (then.hood_x_mm, then.hood_y_mm), elbow)
        except InputError:
            # The chain does not close with these lengths: no effect can be told, only more doubt.
            return Measured(0.0, 3.0, "deg", "arm and trunk lengths do not fit this trunk angle")
        change = end.trunk_inclination_deg - before.trunk_inclination_deg
        return Measured(TRUNK_SHARE.value * change, TRUNK_SHARE.u * abs(change), "deg", TRUNK_SHARE.method)


def leg_of(inputs: PlanInputs, side: str) -> LegTwin | None:
    """The twin of a side; of one not filmed the other's, with its own cleat, shim and leg length; else none."""
    if not inputs.twins:
        return None
    filmed, twin = next(iter(inputs.twins.items()))
    if side in inputs.twins or side not in SIDES:
        return inputs.twins.get(side, twin).leg
    sign, longer = (1.0 if side == "right" else -1.0), inputs.leg_length_difference_mm
    cleats = inputs.cleats
    return other_leg(
        twin.leg, longer_mm=sign * longer.value if longer else 0.0,
        shim_mm=sign * (inputs.contact.shim_right_mm - inputs.contact.shim_left_mm),
        cleat_mm=cleats[side].x_mm - cleats[filmed].x_mm if side in cleats and filmed in cleats else 0.0,
    )  # fmt: skip


def sagittal(deltas: Mapping[str, float], side: str) -> dict[str, float]:
    """The changes that act in one leg's plane, under the twin's names (without a side)."""
    out = {}
    for name, delta in deltas.items():
        kind, of_side = split(name)
        mine = of_side in ("", side)
        if mine and kind in SAGITTAL:
            out[kind] = delta
    return out


def make_forecast(inputs: PlanInputs, findings: Sequence[Finding]) -> Forecast:
    """Everything that has a finding, and the usual watch list where the rides have a value."""
    watched = {f.id: Watched(f.side, f.target.key, f.target.label, f.value) for f in findings}
    for side in ("left", "right", "both"):
        for key, label in WATCHED:
            value = reading.ride_value(inputs, side, key)
            if value is not None and math.isfinite(value.value) and f"{side}.{key}" not in watched:
                watched[f"{side}.{key}"] = Watched(side, key, label, value)
    return Forecast(inputs, tuple(watched.values()), frontal_legs(inputs))


def frontal_legs(inputs: PlanInputs) -> dict[str, FrontalLeg]:
    """Side → frontal twin fitted to the filmed knee path, where a front ride and a twin exist."""
    out = {}
    for side in SIDES:
        leg = leg_of(inputs, side)
        curve = inputs.front_ride.curves.get(side, {}).get("knee_path") if inputs.front_ride else None
        if leg is None or curve is None or not np.isfinite(curve.mean).any():
            continue
        cleat = inputs.cleats.get(side)
        prior = first_frontal(
            inputs.contact.pedal_out_mm(side), cleat.z_mm if cleat else 0.0,
            reading.yaw_deg(inputs, side), leg.axle_to_malleolus_x_mm,
        )  # fmt: skip
        out[side] = fitted(prior, whole_turn(leg), curve.mean, curve.u)
    return out


def watched_values(inputs: PlanInputs, findings: Sequence[Finding]) -> dict[str, Measured]:
    """id → today's value of everything under forecast: what `outcome.outcomes` compares after a change."""
    return {w.id: w.now for w in make_forecast(inputs, findings).watched}
