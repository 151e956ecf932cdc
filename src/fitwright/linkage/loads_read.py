"""A leg's motion and the pedal's force from plain data (parsed JSON, CSV text), every field checked and named.

The motion is one of three: `twin` (as `twin solve` reads it) at even cadence, `ride` (as `ride analyse --json` writes
it), or `points` over time. A force says in its name on what it acts: `pedal_x_n`, `pedal_y_n` is the force of the
foot on the pedal, `foot_x_n`, `foot_y_n` the pedal's (or the ground's) on the foot, both in the bike's frame (x
forward, y up); `pedal_tangential_n`, `pedal_radial_n` are the first one along the crank's way and outward along it.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.linkage.dynamics import FootLoad, LegMotion, Motion, over_time, over_turn
from fitwright.linkage.first_guess import MALLEOLUS_SHARE, SOLE_AND_STACK_MM
from fitwright.linkage.leg import THETA_DEG, solve
from fitwright.linkage.read import leg_from_json, number
from fitwright.linkage.segments import SegmentFamily, segment_family
from fitwright.motion.estimate import refuse_guesses
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.motion.smoothing import fill_short_gaps, smooth
from fitwright.quantity import Floats

MOTIONS = ("twin", "ride", "points")
POINTS = ("hip_mm", "knee_mm", "malleolus_mm", "heel_mm", "toe_mm")
POINTS_OF_A_LEG = ("hip", "knee", "malleolus", "axle")
FORCES = (("pedal_x_n", "pedal_y_n"), ("foot_x_n", "foot_y_n"), ("pedal_tangential_n", "pedal_radial_n"))
WAYS = ", or ".join(" and ".join(pair) for pair in FORCES)
HARMONICS = 8  # kept of a filmed mean turn: 12 Hz at 90 rpm, as films are smoothed
LEAST_FORCES, WIDEST_GAP_DEG = 12, 45.0
MOST_N = 5000.0


@dataclass(frozen=True)
class Case:
    """One leg ready for `inverse_dynamics`.

    Attributes: at: (n,) crank angle in deg, or time in s for points (`by` says which).
    """

    motion: LegMotion
    load: FootLoad
    mass_kg: float
    family: SegmentFamily
    by: str
    at: Floats


def case_from(data: Mapping[str, Any], force_csv: str | None = None) -> Case:
    """The case that plain data describes.

    Raises:
        InputError: a field missing, unknown, no number or out of range; a force that does not cover the turn.
    """
    kind = _one_of(data)
    extra = {"twin": ("cadence_rpm", "foot_length_mm"), "ride": ("side", "foot_length_mm"), "points": ()}[
        kind
    ]
    allowed = (kind, "mass_kg", "segments", "force", *extra)
    for name in data:
        if name not in allowed:
            raise InputError(name, "unknown field", allowed=", ".join(allowed))
    mass = check_range("mass_kg", _number(data, "mass_kg", "20 to 250 kg"), 20, 250, "kg")
    family = segment_family(str(data.get("segments", "")))
    if force_csv is not None and "force" in data:
        raise InputError("force", "is given twice", allowed="either in the JSON or as a file")
    force = forces_from_csv(force_csv) if force_csv is not None else _force_object(data)
    if kind == "points":
        return _from_points(data["points"], force, mass, family)
    motion, axle = _from_twin(data) if kind == "twin" else _from_ride(data)
    load = FootLoad(_on_foot(force, THETA_DEG), axle, np.zeros(len(axle)))
    return Case(motion, load, mass, family, "crank_deg", THETA_DEG)


def forces_from_csv(text: str) -> dict[str, Floats]:
    """Columns of numbers under one line of names; lines that begin with # are left out.

    Raises:
        InputError: no header, a cell that is no number (names line and column), or ragged lines.
    """
    lines = [(i, row) for i, row in enumerate(csv.reader(text.splitlines()), 1) if row and row[0][:1] != "#"]
    if len(lines) < 2:
        raise InputError("force", "has no rows", allowed=f"a header crank_deg and {WAYS}, then numbers")
    names = [cell.strip() for cell in lines[0][1]]
    columns: dict[str, list[float]] = {name: [] for name in names}
    for line, row in lines[1:]:
        if len(row) != len(names):
            raise InputError(
                "force", f"line {line} has {len(row)} cells", allowed=f"{len(names)} as in the header"
            )
        for name, cell in zip(names, row, strict=True):
            try:
                columns[name].append(float(cell))
            except ValueError as error:
                raise InputError("force", f"line {line}, {name} is not a number", value=cell) from error
    return _checked({name: np.array(values) for name, values in columns.items()})


def _one_of(data: Mapping[str, Any]) -> str:
    given = [k for k in MOTIONS if k in data]
    if len(given) != 1:
        raise InputError("motion", "is missing" if not given else "is given more than once", value=", ".join(given),
                         allowed=f"one of {', '.join(MOTIONS)}")  # fmt: skip
    if not isinstance(data[given[0]], Mapping):
        raise InputError(given[0], "is not a JSON object")
    return given[0]


def _number(data: Mapping[str, Any], name: str, allowed: str) -> float:
    if name not in data:
        raise InputError(name, "is missing", allowed=allowed)
    return number(name, data[name])


def _force_object(data: Mapping[str, Any]) -> dict[str, Floats]:
    raw = data.get("force")
    if not isinstance(raw, Mapping):
        raise InputError("force", "is missing or no object", allowed=f'"crank_deg" and {WAYS}')
    return _checked({str(name): _numbers(f"force.{name}", values) for name, values in raw.items()})


def _numbers(field: str, values: Any, columns: int = 0) -> Floats:
    """A list of numbers (n,), or of rows (n, columns) in which null is a gap."""
    if not isinstance(values, Sequence) or isinstance(values, str):
        raise InputError(field, "is not a list", allowed="numbers" if not columns else "[[x, y], ...]")
    if not columns:
        return np.array([number(f"{field}[{i}]", v) for i, v in enumerate(values)], dtype=np.float64)
    rows = []
    for i, row in enumerate(values):
        if not isinstance(row, Sequence) or len(row) != columns:
            raise InputError(f"{field}[{i}]", "is not a pair", value=row, allowed="[x, y]")
        rows.append([np.nan if v is None else number(f"{field}[{i}]", v) for v in row])
    return np.array(rows, dtype=np.float64).reshape(-1, columns)


def _checked(force: dict[str, Floats]) -> dict[str, Floats]:
    """Lengths agree, numbers are forces a leg can give, and exactly one way of telling them is used."""
    ways = [pair for pair in FORCES if any(name in force for name in pair)]
    if len(ways) != 1 or not all(name in force for name in ways[0]):
        raise InputError("force", "must be told in one way", value=", ".join(force), allowed=WAYS)
    sizes = {name: values.size for name, values in force.items() if values.ndim == 1}
    if len(set(sizes.values())) > 1:
        raise InputError("force", "lists of different length", value=sizes)
    for name in ways[0]:
        for value in force[name].tolist():
            check_range(f"force.{name}", value, -MOST_N, MOST_N, "N")
    return force


def _on_foot(force: Mapping[str, Floats], crank_deg: Floats) -> Floats:
    """(n, 2) N on the foot at the given crank angles, linear between those that were given, round the turn."""
    if "crank_deg" not in force:
        raise InputError("force.crank_deg", "is missing", allowed="one crank angle per force, 0 at the top")
    given = np.mod(force["crank_deg"], 360.0)
    order = np.argsort(given, kind="stable")
    gaps = np.diff(given[order], append=given[order][0] + 360.0) if given.size else np.array([360.0])
    if given.size < LEAST_FORCES or gaps.max() > WIDEST_GAP_DEG:
        raise InputError("force.crank_deg", f"does not cover the turn: widest gap {gaps.max():.0f}°",
                         allowed=f"{LEAST_FORCES} angles or more, none {WIDEST_GAP_DEG:.0f}° apart")  # fmt: skip

    def at(name: str) -> Floats:
        return np.asarray(
            np.interp(crank_deg, given[order], force[name][order], period=360.0), dtype=np.float64
        )

    if "pedal_tangential_n" in force:
        c, s = np.cos(np.deg2rad(crank_deg)), np.sin(np.deg2rad(crank_deg))
        along, out = at("pedal_tangential_n"), at("pedal_radial_n")
        return -np.stack([along * c + out * s, out * c - along * s], axis=1)
    if "foot_x_n" in force:
        return np.stack([at("foot_x_n"), at("foot_y_n")], axis=1)
    return -np.stack([at("pedal_x_n"), at("pedal_y_n")], axis=1)


def _foot(data: Mapping[str, Any], behind_mm: float) -> tuple[float, float]:
    """Heel and toe tip along the sole from the axle, mm; the malleolus lies at its usual share of the foot."""
    length = check_range("foot_length_mm", _number(data, "foot_length_mm", "150 to 350 mm"), 150, 350, "mm")
    heel = -behind_mm - MALLEOLUS_SHARE.value * length
    return heel, heel + length


def _leg(x_y: Mapping[str, tuple[Any, Any]], pitch_deg: Any, foot: tuple[float, float], turn_s: float,
         harmonics: int | None) -> tuple[LegMotion, Floats]:  # fmt: skip
    """Motion over one turn and the axle's path in m; heel and toe lie in the sole, above the axle."""
    c, s = np.cos(np.deg2rad(pitch_deg)), np.sin(np.deg2rad(pitch_deg))

    def moving(x: Any, y: Any) -> Motion:
        points = np.stack([np.broadcast_to(v, THETA_DEG.shape) for v in (x, y)], axis=1) / 1000
        return over_turn(points, turn_s, harmonics)

    def on_sole(along: float) -> Motion:
        x, y = x_y["axle"]
        return moving(x + along * c + SOLE_AND_STACK_MM * s, y - along * s + SOLE_AND_STACK_MM * c)

    hip, knee, ankle, axle = (moving(*x_y[name]) for name in POINTS_OF_A_LEG)
    return LegMotion(hip, knee, ankle, on_sole(foot[0]), on_sole(foot[1])), axle.value


def _from_twin(data: Mapping[str, Any]) -> tuple[LegMotion, Floats]:
    leg = leg_from_json(data["twin"])
    cadence = check_range("cadence_rpm", _number(data, "cadence_rpm", "20 to 220 rpm"), 20, 220, "rpm")
    p = solve(leg)
    points = {n: (getattr(p, f"{n}_x"), getattr(p, f"{n}_y")) for n in POINTS_OF_A_LEG}
    return _leg(points, p.pitch_deg, _foot(data, leg.axle_to_malleolus_x_mm), 60 / cadence, None)


def _from_ride(data: Mapping[str, Any]) -> tuple[LegMotion, Floats]:
    try:
        ride = RideResult.from_json(data["ride"])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError("ride", "is not what ride analyse --json writes") from error
    refuse_guesses(ride)
    side = str(data.get("side") or next(iter(ride.curves), ""))
    if side not in ride.curves:
        raise InputError("side", "is not in this ride", value=side, allowed=", ".join(ride.curves))
    curves = ride.curves[side]
    points = {name: (_whole(curves, f"{name}_x"), _whole(curves, f"{name}_y")) for name in POINTS_OF_A_LEG}
    pitch = np.deg2rad(_whole(curves, "sole_pitch"))
    dx, dy = (points["axle"][i] - points["malleolus"][i] for i in (0, 1))
    behind = float(np.mean(dx * np.cos(pitch) - dy * np.sin(pitch)))
    cadence = check_range("ride.cadence_rpm", ride.cadence_rpm.value, 20, 220, "rpm")
    return _leg(points, np.rad2deg(pitch), _foot(data, behind), 60 / cadence, HARMONICS)


def _whole(curves: Mapping[str, CycleCurve], name: str) -> Floats:
    if name not in curves or not np.isfinite(curves[name].mean).all():
        raise InputError(
            "ride", f"has no whole turn of {name}", hint="Mark hip, knee, malleolus, axle and sole"
        )
    return curves[name].mean


def _from_points(
    data: Mapping[str, Any], force: Mapping[str, Floats], mass: float, family: SegmentFamily
) -> Case:
    """Points over time in the frame they come in; the force acts at `at_mm` (the origin where absent)."""
    allowed = ("time_s", *POINTS, "low_pass_hz", "at_mm", "moment_nm")
    for name in data:
        if name not in allowed:
            raise InputError(f"points.{name}", "unknown field", allowed=", ".join(allowed))
    missing = [n for n in ("time_s", *POINTS) if n not in data]
    if missing:
        raise InputError(f"points.{missing[0]}", "is missing", allowed=", ".join(("time_s", *POINTS)))
    time = _numbers("points.time_s", data["time_s"])
    low_pass = _number(data, "low_pass_hz", "") if "low_pass_hz" in data else None
    if low_pass is not None:
        check_range("points.low_pass_hz", low_pass, 1, 50, "Hz")
    n, here = time.size, "one per time"

    def path(name: str) -> Motion:
        xy = _numbers(f"points.{name}", data[name], columns=2)
        if len(xy) != n:
            raise InputError(
                f"points.{name}", "has another length than time_s", value=len(xy), allowed=str(n)
            )
        if low_pass is not None:
            xy = smooth(time, fill_short_gaps(time, xy), low_pass)[0]
        return over_time(time, xy / 1000)

    motion = LegMotion(*(path(name) for name in POINTS))
    sign, pair = next((1.0 if p[0] == "foot_x_n" else -1.0, p) for p in FORCES if p[0] in force)
    if pair == FORCES[2]:
        raise InputError(
            "force", "needs a crank", value=", ".join(pair), allowed="pedal_x_n, foot_x_n with points"
        )
    on_foot = sign * np.stack([force[name] for name in pair], axis=1)
    at = _numbers("points.at_mm", data["at_mm"], 2) / 1000 if "at_mm" in data else np.zeros((n, 2))
    moment = _numbers("points.moment_nm", data["moment_nm"]) if "moment_nm" in data else np.zeros(n)
    for name, values in (("force", on_foot), ("points.at_mm", at), ("points.moment_nm", moment)):
        if len(values) != n:
            raise InputError(
                name, "has another length than time_s", value=len(values), allowed=f"{n}, {here}"
            )
    if low_pass is not None:
        on_foot, at, moment = (smooth(time, v.reshape(n, -1), low_pass)[0] for v in (on_foot, at, moment))
    return Case(motion, FootLoad(on_foot, at, moment.reshape(n)), mass, family, "time_s", time)
