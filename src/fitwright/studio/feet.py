"""Feet: sole photographs → where M1, M5 and the cleat are → a first setting, and later a check or a remount."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fitwright.errors import InputError, check_range
from fitwright.foot.remount import Comparison, compare
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.foot.start import StartSetting, fraction_of, start_setting
from fitwright.foot.words import motion_words
from fitwright.quantity import Floats, Measured, combine, difference, distinguishable, propagate
from fitwright.records.media import path_of
from fitwright.records.models import Medium, Shoes, Visit
from fitwright.studio import body
from fitwright.studio.feet_measure import measure_sole
from fitwright.studio.visits import analyse, analysis, answer, answers, let_go, once

STATION = "feet"
FEET = ("left", "right")
MOMENTS = ("before", "after", "remount")
GOAL_MM, GOAL_DEG = 0.5, 0.3
HAND_MM, HAND_DEG = 0.5, 0.5  # what a hand with two bolts reaches; common practice, no source
DEFAULT_LAMBDA = 0.5  # common practice, no source
SYSTEM_LIMITS = {
    "float_in_deg": (0, 15, "deg"), "float_out_deg": (0, 15, "deg"), "stack_mm": (5, 60, "mm"),
}  # fmt: skip


@dataclass(frozen=True)
class Check:
    """A cleat now against where it should be: now − wished, and what the hand must do."""

    x: Measured
    z: Measured
    psi: Measured
    words: str
    within_goal: bool
    distinguishable: bool
    residual_mm: float | None = None

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "x_mm": self.x.to_json(), "z_mm": self.z.to_json(), "psi_deg": self.psi.to_json(),
            "words": self.words, "within_goal": self.within_goal, "distinguishable": self.distinguishable,
            "residual_mm": self.residual_mm,
        }  # fmt: skip


@dataclass(frozen=True)
class Foot:
    """One foot at this station; what is not known yet is None.

    `start` is the first setting for the wished λ at the hanging foot's yaw, `to_do` how to get there from the
    cleat as found; `lambda_now` where the axle runs with the newest pose; `check` the newest pose against the
    wish; `remount` the cleat found later against the record; `float_words` whether the hanging foot's yaw lies
    inside the float.
    """

    side: str
    hanging_yaw: Measured | None
    readings: Mapping[str, SoleReading]
    photos: Mapping[str, Medium]
    wanted_lambda: float
    start: StartSetting | None
    to_do: str
    lambda_now: Measured | None
    check: Check | None
    remount: Check | None
    float_words: str


@dataclass(frozen=True)
class FeetPage:
    """The Feet station."""

    feet: tuple[Foot, ...]
    system: Mapping[str, Any]
    missing: tuple[str, ...]


def save_photo(visit: Visit, medium: Medium, foot: str, when: str) -> None:
    """Lay a sole photograph at its place."""
    _check_place(foot, when)
    answer(visit, STATION, f"photo {foot} {when}", {"sha256": medium.sha256})


def save_picks(
    visit: Visit, medium: Medium, foot: str, when: str, points: Mapping[str, tuple[float, float]]
) -> SoleReading:
    """Measure a sole photograph from the points picked in it and keep photograph, picks and reading."""
    _check_place(foot, when)
    reading = measure_sole(path_of(medium), foot, points)
    save_photo(visit, medium, foot, when)
    analyse(
        visit, "sole", f"{foot} {when}", reading.to_json(), medium=medium,
        inputs={"points": {k: list(v) for k, v in points.items()}},
    )  # fmt: skip
    if when == "remount":
        _keep_remount(visit, foot, reading)
    return reading


def save_wish(visit: Visit, foot: str, wanted_lambda: float) -> None:
    """Where the axle should cross M1–M5 on this foot (0 under M1, 1 under M5)."""
    if foot not in FEET:
        raise InputError("foot", "unknown", value=foot, allowed="left, right")
    check_range("wanted_lambda", wanted_lambda, 0, 1, "(0 under M1, 1 under M5)")
    answer(visit, STATION, f"wanted_lambda {foot}", wanted_lambda)


def save_system(visit: Visit, name: str, size_eu: float | None, system: Mapping[str, Any]) -> Shoes:
    """Record the shoes with their cleat system by measures (`SYSTEM_LIMITS`); the visit takes them.

    Shoes that say nothing new add no row.
    """
    for key, (low, high, unit) in SYSTEM_LIMITS.items():
        check_range(key, float(system.get(key, low)), low, high, unit)
    known = visit.shoes
    if known and (known.name, known.size_eu, known.cleat_system) == (name, size_eu, dict(system)):
        return known
    shoes = Shoes.objects.create(rider=visit.rider, name=name, size_eu=size_eu, cleat_system=dict(system))
    Visit.objects.filter(pk=visit.pk).update(shoes=shoes)
    visit.shoes = shoes
    let_go(visit)
    return shoes


def reading_of(visit: Visit, foot: str, when: str) -> SoleReading | None:
    """The measured sole of one foot and moment."""
    row = analysis(visit, "sole", f"{foot} {when}")
    return SoleReading.from_json(row.result) if row else None


def float_window(visit: Visit) -> tuple[float, float] | None:
    """(inward, outward) float from its middle, deg."""
    system = visit.shoes.cleat_system if visit.shoes else {}
    if "float_in_deg" not in system or "float_out_deg" not in system:
        return None
    return float(system["float_in_deg"]), float(system["float_out_deg"])


def page(visit: Visit) -> FeetPage:
    """What the Feet page shows."""
    feet = tuple(foot_of(visit, side) for side in FEET)
    missing = tuple(
        f"{f.side} sole: {what}"
        for f in feet
        for what, known in (
            ("photograph", f.photos),
            ("points", f.readings),
            ("hanging foot (station Body)", f.hanging_yaw),
        )
        if not known
    )
    return FeetPage(feet, dict(visit.shoes.cleat_system) if visit.shoes else {}, missing)


def foot_of(visit: Visit, side: str) -> Foot:
    """Everything known about one foot, with what follows from it."""
    return once(visit, f"foot {side}", lambda: _foot_of(visit, side))


def _foot_of(visit: Visit, side: str) -> Foot:
    said = answers(visit, STATION)
    hanging = body.hanging(visit).get(side)
    yaw = hanging.yaw_deg if hanging else None
    readings = {w: r for w in MOMENTS if (r := reading_of(visit, side, w)) is not None}
    laid = {w: p["sha256"] for w in MOMENTS if (p := said.get(f"photo {side} {w}"))}
    media = Medium.objects.in_bulk(laid.values(), field_name="sha256") if laid else {}
    photos = {w: media[digest] for w, digest in laid.items()}
    wanted = float(said.get(f"wanted_lambda {side}", DEFAULT_LAMBDA))
    found = readings.get("before")
    start = _start(found, yaw, wanted)
    newest = readings.get("after") or found
    wish = wished_pose(visit, side) or (start.cleat if start else None)
    after, later = readings.get("after"), readings.get("remount")
    return Foot(
        side, yaw, readings, photos, wanted, start,
        _to_do(found, start), lambda_of(newest) if newest else None,
        check_pose(wish, after.cleat) if wish and after and after.cleat else None,
        check_remount(after, later) if after and later else None,
        _float_words(visit, newest, yaw),
    )  # fmt: skip


def wished_pose(visit: Visit, side: str) -> CleatPose | None:
    """The cleat pose that the plan asks for, once there is one."""
    row = analysis(visit, "plan", "plan")
    data = row.result.get("wished_cleats", {}).get(side) if row else None
    return CleatPose.from_json(data) if data else None


def lambda_of(reading: SoleReading) -> Measured | None:
    """λ with the foot at mid-float, with uncertainty from marks and pose (independent)."""
    if reading.cleat is None or not {"m1", "m5"} <= set(reading.landmarks):
        return None
    m1, m5, cleat = reading.landmarks["m1"], reading.landmarks["m5"], reading.cleat

    def fraction(v: Floats) -> float:
        point1 = type(m1)(float(v[0]), float(v[1]), m1.covariance_mm2)
        point5 = type(m5)(float(v[2]), float(v[3]), m5.covariance_mm2)
        pose = CleatPose(float(v[4]), float(v[5]), float(v[6]), cleat.covariance)
        return fraction_of(pose, point1, point5)

    covariance = [[0.0] * 7 for _ in range(7)]
    for offset, block in ((0, m1.covariance_mm2), (2, m5.covariance_mm2), (4, cleat.covariance)):
        for i in range(len(block)):
            for j in range(len(block)):
                covariance[offset + i][offset + j] = float(block[i][j])
    value, cov = propagate(fraction, [*m1.xz, *m5.xz, *cleat.vector], covariance)
    return Measured(float(value[0]), float(cov[0, 0]) ** 0.5, "1", "sole photograph, mid-float")


def check_pose(wish: CleatPose, now: CleatPose) -> Check:
    """A measured pose against a wished one; the wish itself is exact, the measurement is not."""
    a, b = now.measured(), wish.measured()
    d = {k: difference(a[k], Measured(b[k].value, 0.0, b[k].unit)) for k in a}
    x, z, psi = d["x_c_mm"], d["z_c_mm"], d["psi_c_deg"]
    real = any(distinguishable(m, Measured(0.0, 0.0, m.unit)) for m in (x, z, psi))
    words = motion_words(-x.value, -z.value, -psi.value)
    near = max(abs(x.value), abs(z.value)) <= HAND_MM and abs(psi.value) <= HAND_DEG
    if near:
        words = "as wished, to within what a hand can set"
    elif not real:
        words = f"not distinguishable from the wish (it would be: {words})"
    return Check(x, z, psi, words, near, real)


def check_remount(recorded: SoleReading, now: SoleReading) -> Check:
    """The cleat found later against the record, by datum marks."""
    return _from_comparison(compare(recorded, now))


def _from_comparison(c: Comparison) -> Check:
    within = max(abs(c.x.value), abs(c.z.value)) <= GOAL_MM and abs(c.psi.value) <= GOAL_DEG
    return Check(c.x, c.z, c.psi, c.words, within, c.distinguishable, c.residual_mm)


def _keep_remount(visit: Visit, foot: str, now: SoleReading) -> None:
    recorded = reading_of(visit, foot, "after") or reading_of(visit, foot, "before")
    if recorded is None:
        raise InputError(
            "remount", f"there is no recorded {foot} cleat to compare with",
            hint="Measure the cleat before or after fitting first",
        )  # fmt: skip
    analyse(visit, "remount", foot, check_remount(recorded, now).to_json())


def _start(found: SoleReading | None, yaw: Measured | None, wanted: float) -> StartSetting | None:
    if found is None or yaw is None or not {"m1", "m5"} <= set(found.landmarks):
        return None
    lateral = found.cleat.z_mm if found.cleat else 0.0
    return start_setting(found.landmarks["m1"], found.landmarks["m5"], yaw, lateral, wanted)


def _to_do(found: SoleReading | None, start: StartSetting | None) -> str:
    if found is None or found.cleat is None or start is None:
        return ""
    a, b = start.cleat, found.cleat
    return motion_words(a.x_mm - b.x_mm, a.z_mm - b.z_mm, a.psi_deg - b.psi_deg)


def _float_words(visit: Visit, reading: SoleReading | None, yaw: Measured | None) -> str:
    """Whether the foot as it hangs lies inside the float of the cleat as it is set."""
    window = float_window(visit)
    if window is None or reading is None or reading.cleat is None or yaw is None:
        return ""
    psi = reading.cleat.measured()["psi_c_deg"]
    low, high = psi.value - window[0], psi.value + window[1]
    room = min(yaw.value - low, high - yaw.value)
    u = combine(yaw.u, psi.u)
    if room < 0:
        end = "outward" if yaw.value > high else "inward"
        return f"the hanging foot ({yaw}) lies {-room:.1f}° beyond the float's {end} end ({low:.1f}° to {high:.1f}°)"
    margin = f"{room:.1f}° from the nearer end of the float ({low:.1f}° to {high:.1f}°)"
    return f"the hanging foot ({yaw}) lies {margin}" + ("; too near to be sure" if room < 1.96 * u else "")


def _check_place(foot: str, when: str) -> None:
    if foot not in FEET:
        raise InputError("foot", "unknown", value=foot, allowed="left, right")
    if when not in MOMENTS:
        raise InputError("when", "unknown", value=when, allowed=", ".join(MOMENTS))
