"""First setting: the starting rules side by side on one foot, and what is carried over from the last cleat."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from django.utils import timezone

from fitwright.errors import InputError, check_range
from fitwright.foot.bolts import BoltPattern
from fitwright.foot.fitting_aid import within_hand
from fitwright.foot.float_window import FloatCheck, check_float
from fitwright.foot.frame import axle_under_foot
from fitwright.foot.hardware import Reachable
from fitwright.foot.rules import (
    BEHIND_MM,
    BEHIND_SHARE,
    Candidate,
    Rule,
    Wish,
    rules,
    side_by_side,
)
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.foot.start import Place, StartSetting, axle_given
from fitwright.quantity import Measured
from fitwright.records.models import Analysis, Visit
from fitwright.sheets.sole_drawing import SoleFigure, soles_svg
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.studio import body
from fitwright.studio.feet.hardware import bolts_of, cleat_shape, float_window
from fitwright.studio.feet.marks import Marks, marks_of
from fitwright.studio.feet.ridden import Ridden, ridden_of
from fitwright.studio.feet.setting import (
    Wished,
    can_undo,
    reachable_from,
    save_wished,
    start_of,
    wish_of,
    wished_of,
)
from fitwright.studio.feet.soles import STATION, letter_in, letter_of, reading_of
from fitwright.studio.visits import answer, answers, once
from fitwright.told import day_of_record

LAST = "last"
DRAWN = "First setting: the wish dashed, as found hollow, other rules thin"
M1_SHARE = 0.70  # of a shoe's length, for a sole that nobody photographed: drawing only


@dataclass(frozen=True)
class Given:
    """What the nearest pose that can be bolted gives: λ at the yaw that the foot then has, and whether the float
    keeps it from the yaw that is wished."""

    fraction: Measured
    yaw_deg: float
    held: bool


@dataclass(frozen=True)
class FootSetting:
    """The first setting of one foot; what is not known yet is None.

    `wished` is the wish as decided, `wish` with everything filled in; `start` the setting that solves it; `reachable`
    what can be bolted, `pattern` the shoe's bolts, `given` what the reachable pose gives; `rules` side by
    side; `window_deg` what the float allows, `floating` the yaw against it, as ridden or else as it hangs;
    `ridden` what the ride showed; `problem` why it could not be solved.
    """

    side: str
    wished: Wished
    wish: Wish
    hanging: Measured | None
    marks: Marks | None
    start: StartSetting | None
    reachable: Reachable | None
    pattern: BoltPattern | None
    given: Given | None
    rules: tuple[Candidate, ...]
    window_deg: tuple[float, float] | None
    floating: FloatCheck | None
    ridden: Ridden | None
    can_undo: bool
    problem: str

    @property
    def doubtful(self) -> bool:
        """Whether the bolts are known too badly to call the setting out of reach."""
        pattern, pose = self.pattern, self.reachable
        return pattern is not None and pose is not None and pattern.may_allow(pose.missing)

    @property
    def near(self) -> bool:
        """Whether the reachable pose is the setting, to within what a hand can set."""
        return self.reachable is not None and within_hand(*self.reachable.missing.tolist())


def foot_setting(visit: Visit, side: str, tried: Wished | None = None, with_ride: bool = True) -> FootSetting:
    """Everything the page shows of one foot, with the wish on record or one that is only tried.

    `with_ride`: whether to look at what the ride showed (a slider that is being moved does not).
    """
    marks = marks_of(visit, side)
    start = start_of(visit, side, tried)
    near = reachable_from(visit, side, start)
    wish, _ = wish_of(visit, side, tried)
    hanging = body.hanging(visit).get(side)
    lying: tuple[Candidate, ...] = ()
    problem = ""
    if marks is not None:
        try:
            lying = side_by_side(marks.m1, marks.m5, wish, all_rules(visit, side, marks))
        except InputError as error:
            problem = f"{error.problem} ({error.value})" if error.value else error.problem
    window, bolts = float_window(visit), bolts_of(visit, side)
    psi = near.psi_deg if near else start.cleat.psi_deg if start else None
    ridden = ridden_of(visit, side) if with_ride else None
    ridden = ridden if ridden is not None and ridden.tracked else None
    used = (
        (ridden.yaw_low, ridden.yaw_high) if ridden else (hanging.yaw_deg,) * 2 if hanging else (None, None)
    )
    floating = None
    if window is not None and psi is not None and used[0] is not None and used[1] is not None:
        floating = check_float(Measured(psi, 0.0, "deg"), *window, used[0], used[1])
    return FootSetting(
        side, tried or wished_of(visit, side), wish, hanging.yaw_deg if hanging else None, marks, start, near,
        bolts,
        _given(marks, near, wish.yaw, window) if marks and near else None, lying,
        (psi - window[0], psi + window[1]) if window and psi is not None else None, floating,
        ridden, can_undo(visit, side), problem,
    )  # fmt: skip


def _given(marks: Marks, near: Reachable, yaw: Measured, window: tuple[float, float] | None) -> Given:
    inward, outward = window or (0.0, 0.0)
    then = min(max(yaw.value, near.psi_deg - inward), near.psi_deg + outward)
    pose = CleatPose(near.x_mm, near.z_mm, near.psi_deg, marks.m1.covariance_mm2)
    return Given(axle_given(pose, marks.m1, marks.m5, then), then, abs(then - yaw.value) > 0.05)


def figure(visit: Visit, one: FootSetting) -> SoleFigure | None:
    """This sole in plan: the wish dashed, the cleat as found hollow, every other rule's axle thin and named."""
    if one.marks is None or one.start is None:
        return None
    found = reading_of(visit, one.side, "before")
    pose = replace(one.start.cleat, covariance=np.zeros((3, 3)))  # a wish is where it is
    lines = tuple(
        (c.rule.name, c.setting.cleat) for c in one.rules if c.setting is not None and not c.chosen
    )  # fmt: skip
    return SoleFigure(
        one.side, found.length_mm.value if found else one.marks.m1.x_mm / M1_SHARE,
        outline_mm=np.array(found.outline_mm) if found and found.outline_mm else None,
        m1=one.marks.m1, m5=one.marks.m5, before=found.cleat if found else None, start=pose,
        cleat_outline_mm=cleat_shape(visit), axles=lines,
        values=tuple(zip(("from heel", "outward", "toe-out"), one.start.cleat.measured().values(), strict=True)),
    )  # fmt: skip


def drawing(visit: Visit, feet: Sequence[FootSetting]) -> str:
    """Both soles as SVG; empty while nothing can be solved."""
    figures = [f for one in feet if (f := figure(visit, one)) is not None]
    return soles_svg(figures, width=730.0, height=560.0, title=DRAWN) if figures else ""


def narrow_drawings(visit: Visit, feet: Sequence[FootSetting]) -> tuple[str, ...]:
    """The same for a phone: each sole by itself."""
    figures = (f for one in feet if (f := figure(visit, one)) is not None)
    return tuple(
        soles_svg([f], width=390.0, height=480.0, title=DRAWN, ident=f"narrow-{f.foot}") for f in figures
    )


def float_drawing(one: FootSetting) -> str:
    """The yaw of the foot over the float, as a strip; empty while neither is known."""
    if one.window_deg is None:
        return ""
    readings = []
    if one.hanging is not None:
        readings.append(Reading(one.side, one.hanging, "before"))
    elif one.start is not None and one.start.priors:
        readings.append(Reading(one.side, one.start.yaw, "predicted"))
    if one.ridden is not None and one.ridden.yaw_mean is not None:
        readings.append(Reading(one.side, one.ridden.yaw_mean, "now"))
    return strip_svg(Strip("Yaw over the float", tuple(readings), one.window_deg, "deg")) if readings else ""


def all_rules(visit: Visit, side: str, marks: Marks) -> tuple[Rule, ...]:
    """The rules in the order of the page, the last position of this rider among them."""
    return (*rules(*behind(visit)), last_position(visit, side, marks))


def behind(visit: Visit) -> tuple[float, float]:
    """How far behind M1 the practitioner's own rules lie: mm, and share of the foot's length."""
    said = answers(visit, STATION).get("behind_m1") or {}
    return float(said.get("mm", BEHIND_MM)), float(said.get("share", BEHIND_SHARE))


def save_behind(visit: Visit, mm: float, share: float) -> None:
    """State them; InputError outside the range."""
    check_range("behind M1", mm, 0, 60, "mm")
    check_range("behind M1", 100 * share, 0, 25, "% of the foot’s length")
    answer(visit, STATION, "behind_m1", {"mm": mm, "share": share})


def choose(visit: Visit, side: str, key: str) -> None:
    """Let the wish follow a rule; what the rule leaves open stays. InputError when it cannot be applied."""
    marks = marks_of(visit, side)
    if marks is None:
        raise InputError("rule", "M1 and M5 are not known yet", hint="Mark them first")
    wish, _ = wish_of(visit, side)
    known = {r.key: r for r in all_rules(visit, side, marks)}
    if key not in known:
        raise InputError("rule", "unknown", value=key[:20], allowed=", ".join(known))
    rule = known[key]
    (told,) = side_by_side(marks.m1, marks.m5, wish, [rule])
    if told.setting is None:
        raise InputError("rule", f"{rule.words} {told.words}")
    wished = wished_of(visit, side)
    if rule.place is not None:
        wished = replace(wished, place=rule.place, rule=key)
    if rule.yaw is not None:
        wished = replace(wished, yaw_deg=rule.yaw.value, u_deg=rule.yaw.u, why=rule.yaw.method)
    if rule.lateral_mm is not None:
        wished = replace(wished, z_mm=rule.lateral_mm)
    save_wished(visit, side, wished)


def last_position(visit: Visit, side: str, marks: Marks) -> Rule:
    """The rider's newest measured cleat on another pair or at an earlier visit, as a rule for this pair.

    λ, rotation and how far outward of the axle's place on M1–M5 are carried over: soles differ, the foot does not.
    """
    none = Rule(LAST, "last time", "as this rider had it last", "this rider’s own record")
    found = once(visit, "earlier soles", lambda: dict(_earlier(visit))).get(side)
    if found is None:
        return replace(none, needs="a measured cleat of this rider on another pair or at an earlier visit")
    where, reading = found
    rule = replace(none, words=f"as {where}")
    if not {"m1", "m5"} <= set(reading.landmarks) or reading.cleat is None:
        return replace(rule, needs=f"M1 and M5 {where}")
    fraction, psi = axle_under_foot(reading), reading.cleat.measured()["psi_c_deg"]
    m1, m5 = reading.landmarks["m1"], reading.landmarks["m5"]
    place = Place.between(round(fraction.value, 4))
    aside = reading.cleat.z_mm - float(place.point(m1.xz, m5.xz)[1])
    z = float(place.point(marks.m1.xz, marks.m5.xz)[1]) + aside
    if abs(fraction.value - 0.5) > 3 or abs(z) > 40:
        return replace(rule, needs=f"a cleat that lies under the forefoot {where}")
    turned = Measured(round(psi.value, 2), round(psi.u, 3), "deg", f"as {where}")
    return replace(rule, place=place, yaw=turned, lateral_mm=round(z, 2))


def _earlier(visit: Visit) -> Iterator[tuple[str, tuple[str, SoleReading]]]:
    """(side, (where, reading)) of the newest cleat that is not the one on the bench."""
    rows = Analysis.objects.filter(replaced_by__isnull=True, kind="sole")
    rows = rows.filter(visit__rider=visit.rider, visit__opened_at__lte=visit.opened_at)
    seen: set[str] = set()
    for row in rows.select_related("visit").order_by("-created_at", "-pk"):
        side, letter = row.label.split()[0], letter_in(row.label)
        here = row.visit_id == visit.pk
        if side in seen or (here and letter == letter_of(visit)) or row.result["cleat"] is None:
            continue
        seen.add(side)
        day = day_of_record(timezone.localdate(row.visit.opened_at))
        where = f"on pair {letter}" if here else f"on {day}, pair {letter}"
        yield side, (where, SoleReading.from_json(row.result))
