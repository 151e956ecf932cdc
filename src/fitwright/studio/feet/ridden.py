"""The third opinion: where the axle ran under the loaded foot, and which yaw the foot used, as the ride shows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.foot.float_room import Room, room
from fitwright.foot.frame import axle_under_foot
from fitwright.foot.sole import SoleReading
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.motion.under_load import ShoePoints, SideFilm, SoleMarks, against_photo, loaded_axle
from fitwright.quantity import Measured, combine, format_pm
from fitwright.records.models import Visit
from fitwright.studio import bike, ride
from fitwright.studio.entry import sentence
from fitwright.studio.feet.film_points import places_of, shoe_line, shoe_points
from fitwright.studio.feet.hardware import float_window
from fitwright.studio.feet.marks import marks_of
from fitwright.studio.feet.soles import newest_reading, reading_of
from fitwright.studio.surroundings import scene_of
from fitwright.studio.visits import analysis, once
from fitwright.vision.scene import DEPTH_MM, Scene

MARK_YAW = (
    "To see the yaw, mark two points on the shoe’s middle line in the front film: its tip and, farther back, above "
    "the tongue (“Shoe, farther back”), and measure their distance with a ruler"
)
U_STANCE_MM = 8.0  # of heel and ball points sideways, from pedal, sole and yaw (our choice)
MARK_LAMBDA = (
    "To see where the axle runs under load, film this side and mark heel, ball of the foot and pedal axle"
)


@dataclass(frozen=True)
class Ridden:
    """What the ride says about one foot; None where it cannot.

    Attributes: when "before", "after" or "markers"; lambda_loaded, with sd_turns between turns and worst, the
    cause that adds most to its ±; lambda_photo of the sole photograph at the same yaw; yaw_mean, yaw_low, yaw_high
    toe-out over the turn; tracked: whether the yaw was seen (else the middle of the float stands for it); curve of
    the yaw; room to both ends of the float; words for the page; missing: what to mark or measure; problem.
    """

    side: str
    when: str
    lambda_loaded: Measured | None = None
    lambda_photo: Measured | None = None
    sd_turns: float | None = None
    worst: str = ""
    yaw_mean: Measured | None = None
    yaw_low: Measured | None = None
    yaw_high: Measured | None = None
    tracked: bool = False
    curve: CycleCurve | None = None
    room: Room | None = None
    words: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    problem: str = ""

    @property
    def line(self) -> str:
        """One line for an overview; empty when the ride says nothing of this foot."""
        parts = []
        if self.lambda_loaded is not None:
            parts.append(f"axle under load at {format_pm(self.lambda_loaded)} from M1 to M5")
        if self.tracked and self.yaw_low is not None and self.yaw_high is not None:
            parts.append(f"yaw used {self.yaw_low.value:.1f}° to {self.yaw_high.value:.1f}°")
        if self.room is not None and self.tracked:
            parts.append(self.room.check.state)
        return f"{self.side} foot as ridden: {'; '.join(parts)}" if parts else ""


def ridden_of(visit: Visit, side: str) -> Ridden | None:
    """What the newest ride says about one foot; None when there is none."""
    return once(visit, f"ridden {side}", lambda: _ridden_of(visit, side))


def _ridden_of(visit: Visit, side: str) -> Ridden | None:
    rides = ride.rides_by_label(visit)
    for when in ("after", "before"):
        seen = {view: rides.get(f"{view} {when}") for view in (f"side {side}", "front")}
        if any(r is not None and side in r.curves for r in seen.values()):
            return _from_films(visit, side, when, seen[f"side {side}"], seen["front"])
    markers = rides.get(ride.MARKERS)
    return _from_markers(visit, side, markers) if markers is not None and side in markers.curves else None


def _from_films(
    visit: Visit, side: str, when: str, film: RideResult | None, front: RideResult | None
) -> Ridden:
    reading = reading_of(visit, side, when) or newest_reading(visit, side)
    seen = _yaw(visit, Ridden(side, when), front, reading)
    if seen.tracked and _line_changed(visit, side, when):
        again = "The distance of the two shoe points changed since: follow the front film again"
        seen = replace(seen, missing=(*seen.missing, again))
    if film is None or side not in film.curves:
        return replace(seen, missing=(*seen.missing, MARK_LAMBDA))
    yaw = _while_loaded(seen)
    marks = _sole_marks(visit, side, reading)
    if marks is None or yaw is None:
        return replace(
            seen, missing=(*seen.missing, "Measure the sole (M1, M5 and the cleat) to read λ from the film")
        )
    shoe = shoe_points(visit, side)
    try:
        told = loaded_axle(film.curves[side], marks, yaw, shoe, _film_of(visit, film, side, shoe, marks, yaw))
    except InputError as error:
        return replace(seen, problem=sentence(error))
    photo = _photo(visit, side, reading, yaw)
    words = (against_photo(told.fraction, photo),) if photo else ()
    unmeasured = {"m5_ahead_mm", "m5_above_mm", "heel_above_mm"} - set(places_of(visit, side))
    ruler = (
        "Measure with a ruler where the points at ball and heel sit on the shoe: the ± shrinks most by it",
    )
    return replace(
        seen, lambda_loaded=told.fraction, lambda_photo=photo, sd_turns=told.sd_turns, worst=told.worst,
        words=words + seen.words, missing=seen.missing + (ruler if unmeasured else ()),
    )  # fmt: skip


def _from_markers(visit: Visit, side: str, markers: RideResult) -> Ridden:
    """A recording with markers: the axle found from the rigid foot, the yaw of the line heel–toe."""
    reading = newest_reading(visit, side)
    seen = _yaw(visit, Ridden(side, "markers"), markers, reading)
    fraction = markers.value(side, "axle_under_foot", "mean")
    if fraction is None:
        return replace(seen, missing=("M1 and M5 markers in the static trial tell where the axle runs",))
    photo = _photo(visit, side, reading, seen.yaw_mean) if seen.yaw_mean else None
    words = (against_photo(fraction, photo),) if photo else ()
    return replace(seen, lambda_loaded=fraction, lambda_photo=photo, words=words + seen.words)


def _yaw(visit: Visit, told: Ridden, source: RideResult | None, reading: SoleReading | None) -> Ridden:
    """Mean and range of the yaw, and the room in the float; the middle of the float where nothing was tracked."""
    side, window = told.side, float_window(visit)
    psi = reading.cleat.measured()["psi_c_deg"] if reading and reading.cleat else None
    mean, low, high = (
        source.value(side, "foot_yaw_deg", e) if source else None for e in ("mean", "min", "max")
    )
    if mean is not None and low is not None and high is not None and source is not None:
        curve = source.curves[side].get("foot_yaw")
        left = room(psi, *window, low, high) if psi and window else None
        words = (*_where(source, side), *((left.words,) if left else ()))
        return replace(
            told, yaw_mean=mean, yaw_low=low, yaw_high=high, tracked=True, curve=curve, room=left, words=words
        )
    if psi is None:
        return replace(told, missing=(MARK_YAW,))
    inner, outer = window or (4.5, 4.5)
    middle = psi.value + (outer - inner) / 2
    guess = Measured(
        middle, combine(psi.u, (inner + outer) / 2 / np.sqrt(3.0)), "deg", "middle of the float, not seen"
    )
    return replace(told, yaw_mean=guess, missing=(MARK_YAW,))


def _where(source: RideResult, side: str) -> tuple[str, ...]:
    """At which crank angles the foot turns in and out most."""
    inner, outer = (source.value(side, "foot_yaw_deg", e) for e in ("min_at", "max_at"))
    if inner is None or outer is None:
        return ()
    return (
        f"it turns inward most at {inner.value:.0f}° after top dead centre and outward most at {outer.value:.0f}°",
    )


def _while_loaded(seen: Ridden) -> Measured | None:
    """The yaw while the crank points forward, from the curve when there is one."""
    if seen.curve is None or seen.yaw_mean is None:
        return seen.yaw_mean
    return replace(seen.yaw_mean, value=float(np.nanmean(seen.curve.mean[60:121])))


def _line_changed(visit: Visit, side: str, when: str) -> bool:
    row = analysis(visit, "ride", f"front {when}")
    used = (row.inputs.get("shoe_line_mm") or {}).get(side) if row else None
    return used is not None and abs(used - shoe_line(visit)[side].value) > 0.5


def _sole_marks(visit: Visit, side: str, reading: SoleReading | None) -> SoleMarks | None:
    """M1 and M5 as well as they are known; a guess from the foot's length is none."""
    marks = marks_of(visit, side)
    if marks is None or marks.from_prior:
        return None
    covariance = np.zeros((4, 4))
    covariance[:2, :2], covariance[2:, 2:] = marks.m1.covariance_mm2, marks.m5.covariance_mm2
    m1, m5 = ((p.x_mm, p.z_mm) for p in (marks.m1, marks.m5))
    if reading is None or reading.cleat is None:
        return SoleMarks(m1, m5, covariance)
    return SoleMarks(m1, m5, covariance, reading.cleat.measured()["z_c_mm"])


def _photo(visit: Visit, side: str, reading: SoleReading | None, yaw: Measured) -> Measured | None:
    """λ of the sole photograph at the yaw ridden."""
    marks = marks_of(visit, side)
    if reading is None or reading.cleat is None or marks is None or marks.from_prior:
        return None
    both: Mapping[str, Any] = {**reading.landmarks, "m1": marks.m1, "m5": marks.m5}
    return axle_under_foot(replace(reading, landmarks=both), yaw)


def _film_of(
    visit: Visit, film: RideResult, side: str, shoe: ShoePoints, marks: SoleMarks, yaw: Measured
) -> SideFilm:
    """What this film's camera does to a distance: the slant of its view at the loaded pedal, and how far heel and M5
    lie from where the film took them, when the Bike station knows the stance."""
    camera = film.quality.get("camera", {})
    if not {"x_mm", "y_mm", "z_mm"} <= set(camera):
        return SideFilm()
    axle = [float(np.nanmean(film.curves[side][f"axle_{a}"].mean[60:121])) for a in "xy"]
    away = float(camera["z_mm"]) - float(camera.get("right_mm", DEPTH_MM["pedal_axle"][0]))
    slant = ((axle[0] - camera["x_mm"]) / away, (axle[1] - camera["y_mm"]) / away)
    contact = bike.contact_points(visit)
    if contact is None:
        return SideFilm(slant=slant)
    pedal, turned = contact.pedal_out_mm(side), np.radians(yaw.value)
    heel_x, m5_x = (
        float(np.nanmean(film.curves[side][f"{n}_x"].mean[60:121])) - axle[0] for n in ("heel", "m5")
    )
    heel = pedal + (shoe.heel_out.value - marks.z_c.value) / np.cos(turned) + heel_x * np.tan(turned)
    m5 = (
        pedal
        + (marks.m5_mm[1] + shoe.m5_out.value - marks.z_c.value) / np.cos(turned)
        + m5_x * np.tan(turned)
    )
    taken = scene_of(visit, side, {})  # with the stance that the film is read with, too
    return SideFilm(
        m5_deeper=_deeper(taken, "fifth_metatarsal", m5), heel_deeper=_deeper(taken, "heel", heel), slant=slant
    )  # fmt: skip


def _deeper(taken: Scene, point: str, out_mm: float) -> Measured:
    """How much farther in than the film took it a point lies that is `out_mm` from the mid-plane."""
    return Measured(taken.depth(point)[0] - out_mm, U_STANCE_MM, "mm", "stance, sole and yaw")
