"""Clearance and stance of a visit: heel against crank arm and stays, toe against wheel, how wide the feet stand.

Numbers of the crank and pedals are the Bike station's; what else stands beside a foot is typed at this page. Each
foot is judged with the cleat as it is bolted after fitting, else where it shall be, else as it came.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitwright.body.reference import prior
from fitwright.errors import InputError
from fitwright.foot.clearance import Bar
from fitwright.foot.heel import (
    ARMS_FLARE,
    SHOE_WALL,
    HeelBike,
    HeelOutline,
    Room,
    Stay,
    heel_outline,
    heel_room,
)
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.foot.stance import PUBLISHED, Stance, pedal_out, sides_words, stance
from fitwright.linkage.first_guess import PITCH_COS_DEG, PITCH_MEAN_DEG, PITCH_SIN_DEG, U_PITCH_DEG
from fitwright.linkage.leg import pitch_deg
from fitwright.quantity import Z95, Floats, Measured, combine
from fitwright.records.models import Visit
from fitwright.studio import bike, body, ride
from fitwright.studio import typed as bench
from fitwright.studio.entry import Group, Saved
from fitwright.studio.feet import shoe_templates
from fitwright.studio.feet.clearance_fields import AT_BIKE, BESIDE_HEEL, FRONT, HERE, OTHER, STEER
from fitwright.studio.feet.hardware import float_window
from fitwright.studio.feet.setting import target_of
from fitwright.studio.feet.soles import FEET, STATION, reading_of
from fitwright.studio.remembered import remembered
from fitwright.studio.visits import measured

STAY = ("length", "rise", "front", "middle", "rear")
NO_SPACER = Measured(0.0, 0.0, "mm", "no spacer")


@dataclass(frozen=True)
class Placed:
    """The cleat that a foot is judged with, and whether it is bolted so, wished so, or came so, in words."""

    cleat: CleatPose
    words: str


@dataclass(frozen=True)
class Pitch:
    """Sole pitch over the turn, (360,) deg heel up, its u, and where it comes from."""

    curve: Floats
    u_deg: float
    words: str


@dataclass(frozen=True)
class Beside:
    """One heel: rooms by part, with the heel's outline, pitch and cleat that they were worked out with; `missing`
    names what is still needed, `assumed` what was guessed or left out."""

    rooms: tuple[Room, ...] = ()
    heel: HeelOutline | None = None
    pitch: Pitch | None = None
    placed: Placed | None = None
    missing: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()


def groups(visit: Visit) -> tuple[Group, ...]:
    """The page's boxes with what is on record."""
    here, there = bench.OnRecord.of(visit, STATION), bench.OnRecord.of(visit, bike.STATION)
    return (
        Group("Crank and pedals", bench.entries(AT_BIKE, there), "The same numbers as at Bike."),
        Group("Beside the heel", bench.entries(BESIDE_HEEL, here)),
        Group("Another part beside the heel", bench.entries(OTHER, here), "A carrier, a bag, a motor.", folded=True),
        Group("Front wheel", bench.entries((*FRONT, STEER), here), "For toe overlap; else leave it."),
    )  # fmt: skip


def save(visit: Visit, typed: Mapping[str, str]) -> Saved:
    """Write what can be read, here and at Bike; what cannot is named by field. Unchanged numbers add no row."""
    own = [p for f in AT_BIKE for p in f.parts]
    at_bike = bike.save_bike(visit, {k: v for k, v in typed.items() if k in own})
    here = bench.save(visit, STATION, HERE, {k: v for k, v in typed.items() if k not in own}, None)
    return Saved(at_bike.written + here.written, errors=at_bike.errors | here.errors)


def numbers(visit: Visit) -> dict[str, Measured]:
    """Everything typed for this page, by field name, with the Bike station's."""
    own = {key: row.measured for (key, _), row in measured(visit, STATION).items()}
    return bike.contact_measured(visit) | {f.name: own[f.name] for f in HERE if f.name in own}


def placed_of(visit: Visit, side: str) -> Placed | None:
    """The cleat that this foot is judged with; None while none is known."""
    after, before = reading_of(visit, side, "after"), reading_of(visit, side, "before")
    if after is not None and after.cleat is not None:
        return Placed(after.cleat, "the cleat as it is bolted now")
    target = target_of(visit, side)
    if target is not None:
        return Placed(target, "the cleat where it shall be bolted")
    if before is not None and before.cleat is not None:
        return Placed(before.cleat, "the cleat as it came")
    return None


def pitch_of(visit: Visit, side: str) -> Pitch:
    """Sole pitch from the ride of this side, else of the other, else the standard one."""
    rides = ride.rides_by_label(visit)
    for own in (side, next(s for s in FEET if s != side)):
        for when in ("after", "before"):
            for label in (f"side {own} {when}", ride.MARKERS):
                curve = rides[label].curves.get(own, {}).get("sole_pitch") if label in rides else None
                if curve is not None and np.all(np.isfinite(curve.mean)):
                    u = combine(float(np.nanmean(curve.u)), float(np.nanmean(curve.sd)))
                    words = (
                        "sole pitch from the ride"
                        if own == side
                        else f"sole pitch from the ride of the {own} foot"
                    )
                    return Pitch(curve.mean, u, words)
    usual = np.asarray(
        pitch_deg(PITCH_MEAN_DEG, PITCH_COS_DEG, PITCH_SIN_DEG, np.arange(360.0)), dtype=np.float64
    )
    return Pitch(usual, U_PITCH_DEG, "usual sole pitch, our assumption: no ride filmed yet")


def heel_breadth(visit: Visit, side: str) -> Measured:
    """Of the shoe: as typed, else its template's, else two walls and the bare heel's (measured at Body, else the
    reference sample's)."""
    own = numbers(visit).get("heel_breadth_mm") or shoe_templates.heel_of(visit)
    if own is not None:
        return own
    row = measured(visit, body.STATION).get((f"heel_breadth_{side}_mm", ""))
    bare = row.measured if row else prior("heel_breadth_mm", visit.rider.sex)
    words = f"the bare heel ({'measured' if row else 'usual breadth, Gordon et al. 2014'}) and two shoe walls"
    return Measured(bare.value + 2 * SHOE_WALL.value, combine(bare.u, 2 * SHOE_WALL.u), "mm", words)


def out_of(visit: Visit, side: str, known: Mapping[str, Measured] | None = None) -> Measured | None:
    """S_c, mm; None while Q factor or pedal offset are unknown."""
    known = known or numbers(visit)
    if not {"q_factor_mm", "pedal_offset_mm"} <= known.keys():
        return None
    spacer = known.get(f"spacer_{side}_mm", NO_SPACER)
    return pedal_out(known["q_factor_mm"], known["pedal_offset_mm"], spacer)


def missing_of(visit: Visit, side: str) -> tuple[str, ...]:
    """What must be known before the heel's room can be worked out."""
    known = numbers(visit)
    needed = {"crank_mm": "crank length", "q_factor_mm": "Q factor", "pedal_offset_mm": "pedal offset"}
    missing = [words for key, words in needed.items() if key not in known]
    if placed_of(visit, side) is None:
        missing.append(f"the {side} cleat, picked in a photograph")
    return tuple(missing)


def beside_of(
    visit: Visit, side: str, placed: Placed | None = None, known: Mapping[str, Measured] | None = None
) -> Beside:
    """The heel's room on one side; `placed` and `known` in place of what is on record, to try a change."""
    known, placed = known or numbers(visit), placed or placed_of(visit, side)
    if (missing := missing_of(visit, side)) or placed is None:
        return Beside(missing=missing)
    reading = _reading(visit, side)
    heel, pitch = heel_outline(reading, heel_breadth(visit, side)), pitch_of(visit, side)
    window = float_window(visit) or (0.0, 0.0)
    beside, cleat = _heel_bike(known, side), placed.cleat
    key = (heel.points_mm.tobytes(), heel.u_mm, *cleat.vector, cleat.covariance.tobytes(), window, beside,
           pitch.curve.tobytes(), pitch.u_deg)  # fmt: skip
    rooms = remembered(
        ("heel", *key), lambda: heel_room(heel, cleat, window, beside, pitch.curve, pitch.u_deg)
    )
    return Beside(rooms, heel, pitch, placed, assumed=_assumed(known))


def turn_words(visit: Visit, side: str, psi_deg: float) -> tuple[str, ...]:
    """Whether the heel ends the turn of the toes before the float does, with the cleat at ψ; empty when not."""
    window = float_window(visit)
    rooms = beside_of(visit, side).rooms
    turns = {r.part: r.turn_deg for r in rooms if r.turn_deg is not None}
    if window is None or not turns:
        return ()
    part, turn = min(turns.items(), key=lambda t: t[1])
    if turn >= psi_deg + window[1]:
        return ()
    where = "inside the float" if turn >= psi_deg else "already at the middle of the float"
    return (f"The heel keeps 5 mm to the {part} only up to {turn:.1f}° of toe-out, {where}.",)


def _assumed(known: Mapping[str, Measured]) -> tuple[str, ...]:
    found = []
    if "arms_at_axle_mm" not in known:
        found.append(
            f"crank arms guessed {ARMS_FLARE.value:g} ± {Z95 * ARMS_FLARE.u:.0f} mm {ARMS_FLARE.method}"
        )
    if any(f"stay_{part}_mm" not in known for part in STAY):
        found.append("chainstays left out until all five of their measures are known")
    return tuple(found)


def _reading(visit: Visit, side: str) -> SoleReading | None:
    """The reading that knows most of the heel: the sole's edge first."""
    found = [r for w in ("after", "before") if (r := reading_of(visit, side, w)) is not None]
    return next((r for r in found if r.outline_mm), found[0] if found else None)


def _heel_bike(known: Mapping[str, Measured], side: str) -> HeelBike:
    stay = [known.get(f"stay_{part}_mm") for part in STAY]
    whole = [m for m in stay if m is not None]
    return HeelBike(
        known["crank_mm"], known["q_factor_mm"], known["pedal_offset_mm"], known.get(f"spacer_{side}_mm", NO_SPACER),
        known.get("arms_at_axle_mm"), Stay(*whole) if len(whole) == len(stay) else None, _other(known),
    )  # fmt: skip


def _other(known: Mapping[str, Measured]) -> Bar | None:
    if not all(f.name in known for f in OTHER):
        return None
    behind, up, half, out = (known[f.name].value for f in OTHER)
    return Bar("other part", (-behind - 0.5, up), (-behind + 0.5, up), half, out, out)


def stances(visit: Visit) -> dict[str, Stance]:
    """Both sides, as far as they are known."""
    found = {}
    for side in FEET:
        out, placed = out_of(visit, side), placed_of(visit, side)
        if out is not None:
            found[side] = stance(side, out, placed.cleat if placed else None)
    return found


def stance_words(visit: Visit) -> tuple[str, ...]:
    """How wide the feet stand, left against right, and what others chose."""
    both = stances(visit)
    if len(both) < 2:
        return ()
    known = numbers(visit)
    q = known["q_factor_mm"]
    shared = combine(q.u / 2, known["pedal_offset_mm"].u)
    left, right = both["left"], both["right"]
    words = [sides_words(left.pedal_out, right.pedal_out, "pedal", shared)]
    if left.foot_out and right.foot_out:
        words.append(sides_words(left.foot_out, right.foot_out, "foot", shared))
    return (*words, PUBLISHED)


def float_problem(visit: Visit) -> InputError | None:
    """Said when nothing is known about the float: the heel is then judged with the foot held still."""
    if float_window(visit) is None:
        return InputError(
            "float", "is not known, so the foot is taken as held still", hint="Say it at Shoes and hardware"
        )
    return None
