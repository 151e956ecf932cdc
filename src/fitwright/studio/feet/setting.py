"""First setting of each cleat: the wish, what solves it on this foot, what the hardware lets be done of it.

A wish is one answer for each foot of a pair of shoes: where the axle runs, the yaw, the lateral setting. What it
leaves open comes from what was measured (the hanging foot, the cleat as found), else from a population, and then the
setting says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from fitwright.errors import InputError, check_range
from fitwright.foot.hardware import Reachable
from fitwright.foot.reach import trade_offs
from fitwright.foot.rules import WALKING, Wish
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.foot.start import Place, StartSetting, start_at
from fitwright.foot.words import motion_words
from fitwright.quantity import Measured
from fitwright.records.models import Answer, Visit
from fitwright.studio import body
from fitwright.studio.feet.hardware import bolts_of, system_of
from fitwright.studio.feet.marks import marks_of
from fitwright.studio.feet.soles import FEET, STATION, label, reading_of
from fitwright.studio.visits import analysis, answer, answer_rows, answers, measured, once

DEFAULT_LAMBDA = 0.5  # common practice, no source


@dataclass(frozen=True)
class Wished:
    """The wish as decided; None where it is left to what was measured.

    Attributes: place of the axle; rule, key of the rule it came from; yaw_deg with u_deg and the reason why; z_mm.
    """

    place: Place
    rule: str = ""
    yaw_deg: float | None = None
    u_deg: float = 0.0
    why: str = ""
    z_mm: float | None = None

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Wished:
        """The inverse of `asdict`."""
        own = {k: data[k] for k in ("rule", "yaw_deg", "u_deg", "why", "z_mm")}
        return Wished(Place(**data["place"]), **own)


def wished_of(visit: Visit, side: str) -> Wished:
    """The wish on record, or the usual one."""
    said = answers(visit, STATION)
    data = said.get(label(visit, f"first_setting {side}"))
    if data:
        return Wished.from_json(data["wish"])
    return Wished(Place.between(wanted_lambda(visit, side)))


def save_wished(visit: Visit, side: str, wished: Wished) -> None:
    """Write the wish of one foot; the one before stays and can be gone back to."""
    if side not in FEET:
        raise InputError("foot", "unknown", value=side, allowed="left, right")
    if _row(visit, side) is None:  # what held until now is where undo ends
        _write(visit, side, wished_of(visit, side))
    _write(visit, side, wished)


def _write(visit: Visit, side: str, wished: Wished, restores: int | None = None) -> None:
    """The plan is told λ as far as it lies between M1 and M5."""
    key = label(visit, f"first_setting {side}")
    answer(visit, STATION, key, {"wish": asdict(wished), "restores": restores})
    start = start_of(visit, side)
    fraction = start.fraction if start else wished.place.m5
    answer(visit, STATION, f"wanted_lambda {side}", round(min(1.0, max(0.0, fraction)), 3))


def save_wish(visit: Visit, foot: str, wanted_lambda: float) -> None:
    """Where the axle should cross M1–M5 on this foot (0 under M1, 1 under M5); yaw and lateral setting stay."""
    if foot not in FEET:
        raise InputError("foot", "unknown", value=foot, allowed="left, right")
    check_range("wanted_lambda", wanted_lambda, 0, 1, "(0 under M1, 1 under M5)")
    place = Place.between(wanted_lambda)
    save_wished(visit, foot, replace(wished_of(visit, foot), place=place, rule=""))


def wanted_lambda(visit: Visit, foot: str) -> float:
    """λ as the plan takes it, or the usual one."""
    return float(answers(visit, STATION).get(f"wanted_lambda {foot}", DEFAULT_LAMBDA))


def undo(visit: Visit, side: str) -> None:
    """Go back to the wish before this one, as often as there were wishes; InputError when there was none."""
    before = _before(visit, side)
    if before is None:
        raise InputError("undo", "there is no earlier wish for this foot")
    _write(visit, side, Wished.from_json(before.value["wish"]), before.pk)


def can_undo(visit: Visit, side: str) -> bool:
    """Whether there is a wish before this one."""
    return _before(visit, side) is not None


def _before(visit: Visit, side: str) -> Answer | None:
    """The row whose wish undo brings back: a row that itself brought one back stands for that one."""
    row = _original(_row(visit, side))
    return _original(row.replaces) if row else None


def _original(row: Answer | None) -> Answer | None:
    restored = row.value["restores"] if row else None
    return Answer.objects.select_related("replaces").get(pk=restored) if restored else row


def _row(visit: Visit, side: str) -> Answer | None:
    key = label(visit, f"first_setting {side}")
    rows = [a for a in answer_rows(visit) if a.station == STATION and a.key == key]
    return max(rows, key=lambda a: a.pk, default=None)


def wish_of(visit: Visit, side: str, tried: Wished | None = None) -> tuple[Wish, tuple[str, ...]]:
    """The wish (or one that is only tried) with everything filled in; in words what of it came from a population."""
    wished, priors = tried or wished_of(visit, side), []
    hanging = body.hanging(visit).get(side)
    if wished.yaw_deg is not None:
        yaw = Measured(wished.yaw_deg, wished.u_deg, "deg", wished.why)
    elif hanging is not None:
        yaw = hanging.yaw_deg
    else:
        yaw = WALKING
        priors.append("the yaw is that of feet in walking, 7.5 ± 9.8°: no hanging-foot test yet")
    z = wished.z_mm
    if z is None:
        found = reading_of(visit, side, "before")
        z = found.cleat.z_mm if found and found.cleat else 0.0
    return Wish(wished.place, yaw, z, foot_length(visit, side)), tuple(priors)


def foot_length(visit: Visit, side: str) -> Measured | None:
    """Of this foot, from Body."""
    row = measured(visit, "body").get((f"foot_length_{side}_mm", ""))
    return row.measured if row else None


def start_of(visit: Visit, side: str, tried: Wished | None = None) -> StartSetting | None:
    """The first setting of one foot; None while nothing tells where M1 and M5 lie or it cannot be solved."""
    if tried is not None:
        return _start_of(visit, side, tried)
    return once(visit, f"start {side}", lambda: _start_of(visit, side))


def _start_of(visit: Visit, side: str, tried: Wished | None = None) -> StartSetting | None:
    marks = marks_of(visit, side)
    if marks is None:
        return None
    wish, priors = wish_of(visit, side, tried)
    try:
        start = start_at(marks.m1, marks.m5, wish.yaw, wish.lateral_mm, wish.place, length=wish.length)
    except InputError:
        return None
    if marks.from_prior:
        priors = (marks.caution, *priors)
    return replace(start, priors=priors)


def reachable_from(visit: Visit, side: str, start: StartSetting | None) -> Reachable | None:
    """What the bolts allow that comes nearest to a first setting; None while hardware or setting is unknown."""
    system, bolts = system_of(visit), bolts_of(visit, side)
    if start is None or system is None or bolts is None:
        return None
    wish = start.cleat.vector.tolist()
    return trade_offs(system, bolts.xz, wish, start.point_mm, bolts.turn_deg.value)[0].pose


def target_of(visit: Visit, side: str) -> CleatPose | None:
    """Where this cleat shall be bolted: what the plan asks for, else the first setting as far as it can be bolted.

    Bolts that are known too badly to forbid it do not move it.
    """
    return once(visit, f"target {side}", lambda: _target_of(visit, side))


def _target_of(visit: Visit, side: str) -> CleatPose | None:
    planned = wished_pose(visit, side)
    if planned is not None or (start := start_of(visit, side)) is None:
        return planned
    near, bolts = reachable_from(visit, side, start), bolts_of(visit, side)
    if near is None or near.exact or (bolts and bolts.may_allow(near.missing)):
        return start.cleat
    return replace(start.cleat, x_mm=near.x_mm, z_mm=near.z_mm, psi_deg=near.psi_deg)


def wished_pose(visit: Visit, side: str) -> CleatPose | None:
    """The cleat pose that the plan asks for, until somebody wishes otherwise after it; None without one."""
    row = analysis(visit, "plan", "plan")
    data = row.result.get("wished_cleats", {}).get(side) if row else None
    if row is None or not data:
        return None
    wish = _row(visit, side)
    return None if wish is not None and wish.created_at > row.created_at else CleatPose.from_json(data)


def to_do(found: SoleReading | None, start: StartSetting | None) -> str:
    """How the hand gets from the cleat as found to the first setting; empty when either is unknown."""
    if found is None or found.cleat is None or start is None:
        return ""
    a, b = start.cleat, found.cleat
    words = motion_words(a.x_mm - b.x_mm, a.z_mm - b.z_mm, a.psi_deg - b.psi_deg)
    return f"{words} ({'; '.join(start.priors)})" if start.priors else words
