"""How far has a cleat moved, and what must the hand do to bring it back?

Rigid motion of marks in the sole's plane: Kabsch's fit without scale (Kabsch 1976, Acta Cryst A32:922; Umeyama
1991, IEEE TPAMI 13:376). With equal independent mark errors u_mark per coordinate (both photographs together),
u(turn) = u_mark / √Σ r² about the marks' centre and u(shift of that centre) = u_mark / √n.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.foot.frame import CLEAT
from fitwright.foot.sole import SolePoint, SoleReading
from fitwright.foot.words import motion_words
from fitwright.quantity import Floats, Measured, combine

MARK_MISFIT_MM = 1.5


@dataclass(frozen=True)
class RigidMotion:
    """A turn about `about` followed by a shift, sole frame.

    Attributes: turn_deg, from x towards z; shift (2,) mm of the point `about` (2,) mm; residual_mm, rms distance
    of the marks after the fit; covariance (3, 3) of shift x, shift z (mm), turn (deg).
    """

    turn_deg: float
    shift_mm: Floats
    about_mm: Floats
    residual_mm: float
    covariance: Floats

    def apply(self, points_mm: Floats) -> Floats:
        """(n, 2) points moved."""
        return np.asarray(
            (points_mm - self.about_mm) @ turn_matrix(self.turn_deg).T + self.about_mm + self.shift_mm
        )

    def at(self, point_mm: Floats) -> RigidMotion:
        """The same motion described by the shift of another point, with that point's covariance."""
        arm = turn_matrix(self.turn_deg) @ (point_mm - self.about_mm)
        J = np.eye(3)
        J[:2, 2] = np.radians([-arm[1], arm[0]])  # d(shift)/d(turn)
        shift = self.apply(point_mm[None])[0] - point_mm
        return replace(self, shift_mm=shift, about_mm=point_mm, covariance=J @ self.covariance @ J.T)


def turn_matrix(turn_deg: float) -> Floats:
    """(2, 2) rotation from x towards z."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.array([[c, -s], [s, c]])


def rigid_fit(source_mm: Floats, target_mm: Floats, u_mark_mm: float) -> RigidMotion:
    """Best rigid motion source → target (least squares, no scale), about the centre of the source marks.

    Args:
        source_mm, target_mm: (n, 2) the same marks in the same order. u_mark_mm: standard uncertainty of a
            mark's coordinate, both photographs together.

    Raises:
        InputError: fewer than two marks, or all in one place.
    """
    source, target = np.asarray(source_mm, dtype=np.float64), np.asarray(target_mm, dtype=np.float64)
    n = len(source)
    if n < 2:
        raise InputError("marks", "too few to see a turn", value=n, allowed="at least 2")
    centre, other = source.mean(axis=0), target.mean(axis=0)
    a, b = source - centre, target - other
    spread = float(np.sum(a**2))
    if spread < n * 1.0:
        raise InputError(
            "marks", "lie too close together", allowed="more than 1 mm from their centre on average"
        )
    turn = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    residual = b - a @ turn_matrix(math.degrees(turn)).T
    rms = math.sqrt(float(np.mean(np.sum(residual**2, axis=1))))
    u_turn = math.degrees(u_mark_mm / math.sqrt(spread))
    covariance = np.diag([u_mark_mm**2 / n, u_mark_mm**2 / n, u_turn**2])
    return RigidMotion(math.degrees(turn), other - centre, centre, rms, covariance)


def match_marks(recorded: Mapping[str, SolePoint], now: Mapping[str, SolePoint]) -> tuple[str, ...]:
    """Names of the datum marks in both readings, checked.

    Raises:
        InputError: fewer than three in common, or marks that only fit after exchanging names.
    """
    names = tuple(sorted(set(recorded) & set(now)))
    if len(names) < 3:
        raise InputError(
            "datum marks", f"only {len(names)} in common ({', '.join(names) or 'none'})", allowed="at least 3",
            hint="Pick the same marks in both photographs.",
        )  # fmt: skip
    a, b = (np.array([marks[name].xz for name in names]) for marks in (recorded, now))
    as_named = rigid_fit(a, b, 0.1).residual_mm
    if as_named > MARK_MISFIT_MM and len(names) <= 6:
        orders = itertools.permutations(range(len(names)))
        misfit, order = min((rigid_fit(a, b[list(o)], 0.1).residual_mm, o) for o in orders)
        if misfit < as_named / 3:
            moved = [f"{names[i]} is the recorded {names[k]}" for k, i in enumerate(order) if i != k]
            raise InputError(
                "datum marks", f"look exchanged ({', '.join(moved)})", value=f"residual {as_named:.1f} mm",
                hint="Name them as recorded.",
            )  # fmt: skip
    if as_named > MARK_MISFIT_MM:
        raise InputError(
            "datum marks", "are not the recorded ones", value=f"residual {as_named:.1f} mm",
            allowed=f"up to {MARK_MISFIT_MM:g} mm", hint="Pick each mark again; is this the same shoe?",
        )  # fmt: skip
    return names


@dataclass(frozen=True)
class Comparison:
    """A cleat now against its recorded pose (now − recorded), and what restores it.

    Attributes: x, z (mm), psi (deg) of the cleat's centre; residual_mm of the marks; marks used; marks_on
    "cleat", "sole" or "none"; words: what the hand must do; distinguishable: whether any part of the difference
    exceeds its 95 % half-width; notes.
    """

    x: Measured
    z: Measured
    psi: Measured
    residual_mm: float
    marks: tuple[str, ...]
    marks_on: str
    words: str
    distinguishable: bool
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Shift, turn, residual, uncertainties, words."""
        return {
            "shift_mm": {"x": self.x.to_json(), "z": self.z.to_json()}, "turn_deg": self.psi.to_json(),
            "residual_mm": self.residual_mm, "marks": list(self.marks), "marks_on": self.marks_on,
            "to_restore": self.words, "distinguishable": self.distinguishable, "notes": list(self.notes),
        }  # fmt: skip


def compare(recorded: SoleReading, now: SoleReading, marks_on: str = "auto") -> Comparison:
    """The cleat's motion on the sole between two readings.

    Marks on the cleat's outline move with it and join nose and tail in the fit; marks on the sole beside it stay
    and tie the two sole frames together. With "auto" the marks themselves tell which they are.

    Raises:
        InputError: different feet, no common marks, marks exchanged, nothing marked on the cleat.
    """
    if recorded.foot != now.foot:
        raise InputError("foot", f"the record is a {recorded.foot} sole, the photograph a {now.foot} one")
    if marks_on not in ("auto", "cleat", "sole"):
        raise InputError("marks_on", "unknown", value=marks_on, allowed="auto, cleat, sole")
    u_mark = combine(mark_u(recorded), mark_u(now))
    now, notes = _same_length(recorded, now)
    names = match_marks(recorded.datums, now.datums) if recorded.datums or now.datums else ()
    if not names and not (recorded.cleat and now.cleat):
        raise InputError(
            "datum marks", "none picked, and no cleat nose and tail either", allowed="at least 3"
        )
    if marks_on == "auto":
        marks_on, note = _where_marks_are(recorded, now, names, u_mark)
        notes += note
    frame_u = _frame_covariance(recorded, u_mark)
    if marks_on == "sole" and names:
        register = _fit(now, recorded, ("heel_centre", "toe", *names), u_mark)
        motion = _fit(recorded, now, CLEAT, u_mark, register)
        centre = _centre(recorded)
        total = motion.at(centre).covariance + register.at(centre).covariance
    else:
        on_cleat = (*(CLEAT if recorded.cleat and now.cleat else ()), *names)
        motion = _fit(recorded, now, on_cleat, u_mark)
        centre = _centre(recorded)
        total = motion.at(centre).covariance + frame_u
    return _comparison(motion.at(centre), total, names, marks_on if names else "none", notes)


def mark_u(reading: SoleReading) -> float:
    """Standard uncertainty of one picked mark without what all marks of its photograph share, mm."""
    stated = reading.quality.get("u_mark_mm")
    if isinstance(stated, int | float) and stated > 0:
        return float(stated)
    points = [*reading.datums.values(), *(reading.landmarks[k] for k in CLEAT if k in reading.landmarks)]
    return math.sqrt(float(np.mean([np.trace(p.covariance_mm2) / 2 for p in points]))) if points else 0.2


def _same_length(recorded: SoleReading, now: SoleReading) -> tuple[SoleReading, tuple[str, ...]]:
    """Take the shared scale error out of `now`: one shoe has one length (as far as each length is known)."""
    marks = combine(*[math.sqrt(2) * mark_u(r) for r in (recorded, now)])
    both = combine(recorded.length_mm.u, now.length_mm.u)
    difference = now.length_mm.value - recorded.length_mm.value
    scale_variance = max(0.0, both**2 - marks**2)
    notes: tuple[str, ...] = ()
    if abs(difference) > max(3 * both, 2.0):
        notes = (
            f"the sole is {difference:+.1f} mm longer than recorded: another shoe, heel or toe picked elsewhere, or "
            "the card not in the sole's plane",
        )
        return now, notes
    share = scale_variance / (scale_variance + marks**2) if scale_variance else 0.0
    factor = 1 - share * difference / now.length_mm.value
    return _scaled(now, factor), notes


def _scaled(reading: SoleReading, factor: float) -> SoleReading:
    def scaled(points: Mapping[str, SolePoint]) -> dict[str, SolePoint]:
        return {k: SolePoint(p.x_mm * factor, p.z_mm * factor, p.covariance_mm2) for k, p in points.items()}

    return replace(reading, landmarks=scaled(reading.landmarks), datums=scaled(reading.datums))


def _points(reading: SoleReading, names: tuple[str, ...]) -> Floats:
    known = {**reading.landmarks, **reading.datums}
    missing = [n for n in names if n not in known]
    if missing:
        raise InputError("points", f"{', '.join(missing)} not marked in both photographs", hint="Mark them.")
    return np.array([known[n].xz for n in names])


def _fit(
    a: SoleReading, b: SoleReading, names: tuple[str, ...], u_mark: float, register: RigidMotion | None = None
) -> RigidMotion:
    """Motion a → b of the named marks; `register` first carries b's points into a's frame."""
    target = _points(b, names)
    motion = rigid_fit(_points(a, names), register.apply(target) if register else target, u_mark)
    free = 2 * len(names) - 3
    seen = motion.residual_mm * math.sqrt(len(names) / free) if free > 0 else 0.0
    return replace(
        motion, covariance=motion.covariance * max(1.0, (seen / u_mark) ** 2)
    )  # Birge: never smaller


def _centre(reading: SoleReading) -> Floats:
    if reading.cleat is not None:
        return reading.cleat.vector[:2]
    return np.asarray(np.mean([p.xz for p in reading.datums.values()], axis=0))


def _frame_covariance(reading: SoleReading, u_mark: float) -> Floats:
    """What the picks of heel and toe (they make the frame) add at the cleat's centre: shift x, z, turn."""
    length, x = reading.length_mm.value, float(_centre(reading)[0])
    near, far, turn = 1 - x / length, x / length, math.degrees(1 / length)
    # columns: heel x, heel z, toe x, toe z; the toe's x enters through the length, which sets the common scale
    J = np.array([[near, 0, far, 0], [0, near, 0, far], [0, -turn, 0, turn]])
    return np.asarray(J @ J.T * u_mark**2)


def _where_marks_are(
    recorded: SoleReading, now: SoleReading, names: tuple[str, ...], u_mark: float
) -> tuple[str, tuple[str, ...]]:
    """On the cleat when the marks moved with nose and tail, on the sole when they stayed while the cleat moved."""
    if not names or not (recorded.cleat and now.cleat):
        return "cleat", ()
    centre = _centre(recorded)
    frame_u = _frame_covariance(recorded, u_mark)
    cleat, marks = (_fit(recorded, now, n, u_mark).at(centre) for n in (CLEAT, names))

    def distance(a: Floats, covariance: Floats) -> float:
        return float(a @ np.linalg.solve(covariance, a))

    moved = np.array([*marks.shift_mm, marks.turn_deg])
    apart = np.array([*cleat.shift_mm, cleat.turn_deg]) - moved
    with_cleat = distance(apart, cleat.covariance + marks.covariance)
    stayed = distance(moved, marks.covariance + frame_u)
    limit = 16.3  # 99.9 % of chi-squared with 3 degrees of freedom
    if with_cleat <= stayed or with_cleat <= limit:
        far = with_cleat > limit
        note = (
            ("the marks and the cleat's nose and tail disagree about the motion: check the picks",)
            if far
            else ()
        )
        return "cleat", note
    note = ("the datum marks stayed while the cleat moved: taken as marks on the sole",)
    return "sole", note if stayed <= limit else (*note, "but they moved a little too: check the picks")


def _comparison(
    motion: RigidMotion, covariance: Floats, names: tuple[str, ...], marks_on: str, notes: tuple[str, ...]
) -> Comparison:
    u = np.sqrt(np.diag(covariance))
    method = f"rigid fit, marks on the {marks_on}" if names else "nose and tail"
    x, z = (Measured(float(motion.shift_mm[i]), float(u[i]), "mm", method) for i in (0, 1))
    psi = Measured(-motion.turn_deg, float(u[2]), "deg", method)  # ψ turns the axis by −ψ
    real = [abs(m.value) > 1.96 * m.u for m in (x, z, psi)]
    words = motion_words(-x.value, -z.value, -psi.value)
    if not any(real):
        words = f"leave it: the difference is not distinguishable (it would be: {words})"
    return Comparison(x, z, psi, motion.residual_mm, names, marks_on, words, any(real), notes)
