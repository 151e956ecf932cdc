"""How far has a cleat moved on its sole, and what must the hand do to bring it back?

Two photographs show points that stay on the sole (heel, toe, marks on it) and points that go with the cleat (nose,
tail, marks on its edge). One generalised least-squares fit finds how the second picture lies to the first and how the
cleat moved between them, each point weighted by what both pictures know of it: what all points of a picture share
(lens, height, print scale) is in the covariance, so that it neither pretends accuracy nor spoils what cancels. With
equal independent errors it is Kabsch's rigid fit (see `rigid`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import chdtri

from fitwright.errors import InputError
from fitwright.foot.datums import match_marks
from fitwright.foot.frame import CLEAT, REQUIRED
from fitwright.foot.rigid import stretch, turn_matrix
from fitwright.foot.sole import SoleReading
from fitwright.foot.words import motion_words
from fitwright.quantity import Z95, Floats, Measured, combine

UNLIKELY = 0.001
"""A misfit that chance alone would exceed this rarely is somebody's error."""
QUARTER = np.array([[0.0, -1.0], [1.0, 0.0]])


@dataclass(frozen=True)
class Comparison:
    """A cleat now against its recorded pose (now − recorded), and what restores it.

    Attributes: x, z (mm), psi (deg) of the cleat's centre; residual_mm, rms of the points on the cleat; marks used;
    marks_on "cleat", "sole" or "none"; words: what the hand must do; distinguishable: whether any part of the
    difference exceeds its 95 % half-width; notes; bad: the point that was left out, or ""; agree: whether the points
    fit each other as well as they were measured.
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
    bad: str = ""
    agree: bool = True

    def to_json(self) -> dict[str, Any]:
        """Shift, turn, residual, uncertainties, words."""
        return {
            "shift_mm": {"x": self.x.to_json(), "z": self.z.to_json()}, "turn_deg": self.psi.to_json(),
            "residual_mm": self.residual_mm, "marks": list(self.marks), "marks_on": self.marks_on,
            "to_restore": self.words, "distinguishable": self.distinguishable, "notes": list(self.notes),
            "left_out": self.bad,
        }  # fmt: skip


def compare(recorded: SoleReading, now: SoleReading, marks_on: str = "auto") -> Comparison:
    """The cleat's motion on the sole between two readings.

    Marks on the cleat's outline move with it and join nose and tail in the fit; marks on the sole beside it stay
    and join heel and toe. With "auto" the marks themselves tell which they are.

    Raises:
        InputError: different feet, marks exchanged or on one line, too little marked to see a turn.
    """
    if marks_on not in ("auto", "cleat", "sole"):
        raise InputError("marks_on", "unknown", value=marks_on, allowed="auto, cleat, sole")
    _same_foot(recorded, now)
    ends = CLEAT if recorded.cleat and now.cleat else ()
    pairs = [(recorded.landmarks[n].xz, now.landmarks[n].xz) for n in ends]
    marks = match_marks(recorded.datums, now.datums, pairs)
    notes = [
        *_length_notes(recorded, now),
        *_few_marks(recorded, marks, bool(ends)),
        *_stretch_notes(recorded, now, marks),
    ]
    places = (marks_on,) if marks_on != "auto" else ("cleat", "sole") if ends and marks else ("cleat",)
    found = {p: _without_a_bad_point(recorded, now, *_groups(p, ends, marks)) for p in places}
    where = min(places, key=lambda p: (found[p][0].doubtful, bool(found[p][1]), found[p][0].misfit))
    fit, bad, said = found[where]
    if where == "sole" and marks_on == "auto":
        notes.append("the datum marks stayed while the cleat moved: taken as marks on the sole")
    marks = tuple(n for n in marks if n != bad)
    method = f"rigid fit, marks on the {where}" if marks else "nose and tail"
    notes.extend(said)
    told = where if marks else "none"
    result = _comparison(
        fit.shift, fit.covariance, fit.residual_mm, marks, told, method, tuple(notes), bad
    )  # fmt: skip
    return replace(result, agree=not fit.doubtful)


def _groups(
    marks_on: str, ends: tuple[str, ...], marks: tuple[str, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of the points that stay on the sole and of those that go with the cleat."""
    return (REQUIRED, ends + marks) if marks_on == "cleat" else (REQUIRED + marks, ends)


def compare_poses(recorded: SoleReading, now: SoleReading) -> Comparison:
    """The cleat's centre and turn in the sole's own frame: for a cleat of another shape, on which no mark is left.

    Raises:
        InputError: different feet, or a reading without a cleat.
    """
    _same_foot(recorded, now)
    if recorded.cleat is None or now.cleat is None:
        raise InputError(
            "cleat_nose, cleat_tail",
            "not marked in both photographs",
            hint="Mark nose and tail of each cleat.",
        )
    d = now.cleat.vector - recorded.cleat.vector
    d[2] = (d[2] + 180) % 360 - 180
    turn = np.diag([1.0, 1.0, -1.0])  # a comparison's covariance is of the turn, −ψ
    covariance = turn @ (recorded.cleat.covariance + now.cleat.covariance) @ turn
    notes = [
        "by heel, toe and the cleat's own centre: dots on the old cleat are gone, so the ± is larger",
        *_length_notes(recorded, now),
    ]
    if not all({"axle_inner", "axle_outer"} <= set(r.landmarks) for r in (recorded, now)):
        notes.append(
            "the centre is the middle of nose and tail: on a cleat of another shape pick its axle marks too"
        )
    return _comparison(
        np.array([d[0], d[1], -d[2]]), covariance, 0.0, (), "none", "centre in the sole frame", tuple(notes)
    )


def mark_u(reading: SoleReading) -> float:
    """Standard uncertainty of one picked mark without what all marks of its photograph share, mm."""
    stated = reading.quality.get("u_mark_mm")
    if isinstance(stated, int | float) and stated > 0:
        return float(stated)
    points = [*reading.datums.values(), *(reading.landmarks[k] for k in CLEAT if k in reading.landmarks)]
    return math.sqrt(float(np.mean([np.trace(p.covariance_mm2) / 2 for p in points]))) if points else 0.2


# --- the fit ---


@dataclass(frozen=True)
class _Fit:
    """state (6,): shift (mm) and turn (rad) of the second picture, then of the cleat, about `centre`; covariance
    (3, 3) of the cleat's in mm and deg; misfit: weighted sum of squares with `free` degrees of freedom; off (n, 2)
    of each point after the fit, mm."""

    still: tuple[str, ...]
    moved: tuple[str, ...]
    centre: Floats
    state: Floats
    covariance: Floats
    misfit: float
    free: int
    off: Floats

    @property
    def shift(self) -> Floats:
        """(3,) x, z mm of the centre and turn, deg."""
        return np.array([*self.state[3:5], math.degrees(self.state[5])])

    def carried(self, place: Floats, on_cleat: bool) -> Floats:
        """(2,) where a recorded point should be now."""
        return np.asarray(_model(self.state, place[None], self.centre, np.array([on_cleat]))[0][0])

    @property
    def residual_mm(self) -> float:
        """Rms of the points on the cleat."""
        return float(np.sqrt(np.mean(np.sum(self.off[len(self.still) :] ** 2, axis=1))))

    @property
    def doubtful(self) -> bool:
        """Whether chance alone would hardly leave such a misfit."""
        return self.free > 0 and self.misfit > float(chdtri(self.free, UNLIKELY))


def _fit(recorded: SoleReading, now: SoleReading, still: tuple[str, ...], moved: tuple[str, ...]) -> _Fit:
    """The cleat's motion about its recorded centre, sole frame of the record, by Gauss–Newton on six unknowns."""
    if len(moved) < 2:
        raise InputError(
            "datum marks", f"too few to see the cleat's turn (in both photographs: {', '.join(moved) or 'none'})",
            allowed="nose and tail, or two datum marks; from three on they are checked against each other",
        )  # fmt: skip
    names = (*still, *moved)
    P, Q = _places(recorded, names), _places(now, names)
    if float(np.ptp(P[len(still) :], axis=0).max()) < 5.0:
        raise InputError("datum marks", "lie too close together to see a turn", allowed="5 mm apart or more")
    on_cleat = np.arange(len(names)) >= len(still)
    S_then, S_now = _covariance(recorded, names), _covariance(now, names)
    centre, x = _centre(recorded, moved), np.zeros(6)
    for _ in range(12):
        predicted, J, B = _model(x, P, centre, on_cleat)
        weight = np.linalg.inv(S_now + B @ S_then @ B.T)
        normal = J.T @ weight @ J
        step = np.linalg.solve(normal, J.T @ weight @ (Q - predicted).ravel())
        x = x + step
        if np.abs(step).max() < 1e-10:
            break
    off = Q - _model(x, P, centre, on_cleat)[0]
    misfit, free = float(off.ravel() @ weight @ off.ravel()), 2 * len(names) - 6
    to_deg = np.diag([1.0, 1.0, math.degrees(1.0)])
    covariance = to_deg @ np.linalg.inv(normal)[3:, 3:] @ to_deg
    birge = max(1.0, misfit / free)  # never smaller
    return _Fit(still, moved, centre, x, covariance * birge, misfit, free, off)


def _model(x: Floats, P: Floats, centre: Floats, on_cleat: Any) -> tuple[Floats, Floats, Floats]:
    """Where the recorded points (n, 2) should be now, its derivative (2n, 6) and the recorded errors' turn (2n, 2n).

    x: shift and turn (rad) of the second picture about the centre, then of the cleat.
    """
    picture, cleat = turn_matrix(math.degrees(x[2])), turn_matrix(math.degrees(x[5]))
    v = P - centre
    turned = v @ cleat.T
    w = np.where(on_cleat[:, None], turned + x[3:5], v)
    n = len(P)
    J, B = np.zeros((n, 2, 6)), np.zeros((n, 2, n, 2))
    J[:, :, :2] = np.eye(2)
    J[:, :, 2] = w @ (picture @ QUARTER).T
    J[on_cleat, :, 3:5] = picture
    J[on_cleat, :, 5] = turned[on_cleat] @ (picture @ QUARTER).T
    for i in range(n):
        B[i, :, i, :] = picture @ cleat if on_cleat[i] else picture
    return np.asarray(w @ picture.T + centre + x[:2]), J.reshape(2 * n, 6), B.reshape(2 * n, 2 * n)


def _covariance(reading: SoleReading, names: Sequence[str]) -> Floats:
    """(2n, 2n) of the points as found in the picture; without a joint one: equal marks and one shared scale."""
    if reading.joint_mm2 is not None:
        at = [2 * reading.names.index(name) + k for name in names for k in (0, 1)]
        return reading.joint_mm2[np.ix_(at, at)] + 1e-8 * np.eye(len(at))
    u, p = mark_u(reading), _places(reading, names).ravel()
    scale = max(0.0, reading.length_mm.u**2 - 2 * u**2) / reading.length_mm.value**2
    return np.asarray(u**2 * np.eye(len(p)) + scale * np.outer(p, p))


def _places(reading: SoleReading, names: Sequence[str]) -> Floats:
    ends = {"heel_centre": np.zeros(2), "toe": np.array([reading.length_mm.value, 0.0])}
    known = ends | {n: p.xz for n, p in {**reading.landmarks, **reading.datums}.items()}
    missing = [n for n in names if n not in known]
    if missing:
        raise InputError("points", f"{', '.join(missing)} not marked in both photographs", hint="Mark them.")
    return np.array([known[n] for n in names])


def _centre(reading: SoleReading, moved: Sequence[str]) -> Floats:
    return reading.cleat.vector[:2] if reading.cleat else np.asarray(_places(reading, moved).mean(axis=0))


def _without_a_bad_point(
    recorded: SoleReading, now: SoleReading, still: tuple[str, ...], moved: tuple[str, ...]
) -> tuple[_Fit, str, tuple[str, ...]]:
    """The fit, or the one without the single point that all others contradict; that point's name; what to say."""
    fit = _fit(recorded, now, still, moved)
    if not fit.doubtful:
        return fit, "", ()
    group = [n for n in (*still, *moved) if n not in REQUIRED]
    tried = {}
    for name in group if len(group) >= 4 else ():
        fewer = [tuple(n for n in names if n != name) for names in (still, moved)]
        if len(fewer[1]) >= 2:
            tried[name] = _fit(recorded, now, fewer[0], fewer[1])
    good = sorted((f.misfit, name) for name, f in tried.items() if not f.doubtful)
    if len(good) != 1:
        which = f": {' or '.join(name for _, name in good)} may be the one" if good else ""
        return fit, "", (f"the points disagree by {fit.residual_mm:.1f} mm rms{which}; check the picks",)
    bad = good[0][1]
    should = tried[bad].carried(_places(recorded, [bad])[0], bad in moved)
    away = float(np.linalg.norm(_places(now, [bad])[0] - should))
    why = "worn" if bad in CLEAT else "rubbed off"
    return (
        tried[bad],
        bad,
        (
            f"{bad} lies {away:.1f} mm from where the other points put it: left out ({why}, or picked elsewhere?)",
        ),
    )


# --- what is said beside it ---


def _same_foot(recorded: SoleReading, now: SoleReading) -> None:
    if recorded.foot != now.foot:
        raise InputError("foot", f"the record is a {recorded.foot} sole, the photograph a {now.foot} one")


def _length_notes(recorded: SoleReading, now: SoleReading) -> tuple[str, ...]:
    difference = now.length_mm.value - recorded.length_mm.value
    if abs(difference) <= max(3 * combine(recorded.length_mm.u, now.length_mm.u), 2.0):
        return ()
    return (
        f"the sole is {difference:+.1f} mm longer than recorded: another shoe, heel or toe picked elsewhere, or "
        "the card not in the sole's plane",
    )  # fmt: skip


def _few_marks(recorded: SoleReading, marks: tuple[str, ...], ends: bool) -> tuple[str, ...]:
    """What is lost with fewer than three datum marks."""
    if len(marks) >= 3 or not recorded.datums:
        return ()
    told = ", ".join(marks) or "none"
    lost = (
        "the turn and a check of the picks rest on nose and tail alone"
        if ends
        else "no mark can be checked against the others"
    )
    return (f"only {len(marks)} datum marks in common ({told}): {lost}, and the ± grows",)


def _stretch_notes(recorded: SoleReading, now: SoleReading, marks: tuple[str, ...]) -> tuple[str, ...]:
    """Whether the marks lie farther apart than recorded, which no motion does."""
    if len(marks) < 3:
        return ()
    a, b = _places(recorded, marks), _places(now, marks)
    u = combine(mark_u(recorded), mark_u(now)) / math.sqrt(float(np.sum((a - a.mean(axis=0)) ** 2)))
    more = stretch(a, b) - 1
    if abs(more) <= max(3.3 * u, 0.01):
        return ()
    way = "farther apart" if more > 0 else "closer together"
    return (
        f"the datum marks lie {abs(100 * more):.1f} % {way} than recorded: a card printed at another scale, or the "
        "cleat nearer to the camera than the card",
    )  # fmt: skip


def _comparison(
    shift: Floats, covariance: Floats, residual_mm: float, marks: tuple[str, ...], marks_on: str, method: str,
    notes: tuple[str, ...], bad: str = "",
) -> Comparison:  # fmt: skip
    u = np.sqrt(np.diag(covariance))
    x, z = (Measured(float(shift[i]), float(u[i]), "mm", method) for i in (0, 1))
    psi = Measured(-float(shift[2]), float(u[2]), "deg", method)  # ψ turns the axis by −ψ
    real = any(abs(m.value) > Z95 * m.u for m in (x, z, psi))
    words = motion_words(-x.value, -z.value, -psi.value)
    if not real:
        words = f"leave it: the difference is not distinguishable (it would be: {words})"
    return Comparison(x, z, psi, residual_mm, marks, marks_on, words, real, notes, bad)
