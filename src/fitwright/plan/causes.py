"""What a value outside its band may come from, what would tell the causes apart, and what else was seen.

Causes are mechanical or habits; none is a diagnosis. The next test is the cheapest one that this bench can make.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from fitwright.plan import reading
from fitwright.plan.inputs import SIDES, PlanInputs
from fitwright.quantity import distinguishable


@dataclass(frozen=True)
class Causes:
    """For one quantity: what may put it below, what above, and the next test to make."""

    below: tuple[str, ...]
    above: tuple[str, ...]
    next_test: str


CAUSES: Mapping[str, Causes] = {
    "knee_flexion_deg": Causes(
        ("saddle high for this leg", "heel carried low at the bottom", "cleat far back or shoe thin"),
        ("saddle low for this leg", "heel carried high at the bottom", "cleat far forward or shoe thick"),
        "look at the sole pitch at the bottom: a low heel with a bent knee, or a high heel with a straight one, "
        "speaks for a habit of the ankle rather than for the saddle",
    ),
    "hip_flexion_deg": Causes(
        ("saddle high or far back", "crank short for this leg"),
        ("saddle low or far forward", "crank long for this leg", "pelvis rolled back"),
        "lift the hip on the table (station Body): if the range ends near the ridden value, the hip decides; else "
        "try the saddle on the page “before the bolt turns”",
    ),
    "ankle_plantarflexion_deg": Causes(
        ("heel carried low", "saddle low", "ankle range used up"),
        ("heel carried high", "saddle high: the toe reaches for the pedal", "cleat far forward"),
        "compare with the ankle's range on the table (station Body), and look whether it changes with cadence: a "
        "habit does, a saddle that is too high does not",
    ),
    "axle_under_foot": Causes(
        ("cleat far forward on the sole",), ("cleat far back on the sole",),
        "check M1 and M5 on the foot in the shoe, then photograph the sole again",
    ),
    "cleat_rotation_deg": Causes(
        ("cleat turned so that the foot points in",), ("cleat turned so that the foot points out",),
        "repeat the hanging-foot test in the shoe; film from the front where the foot goes by itself",
    ),
    "float_margin_deg": Causes(
        ("cleat rotation away from the foot's own yaw", "float range small for this foot"), (),
        "turn the cleat and film from the front again",
    ),
    "foot_yaw_deg": Causes(
        ("the float ends before the foot's own yaw", "hip and tibia turn the foot in"),
        ("the float ends before the foot's own yaw", "hip and tibia turn the foot out"),
        "compare with the hanging foot (station Body): where both agree it is bone and hip, offered and not "
        "corrected",
    ),
    "trunk_inclination_deg": Causes(
        ("bar low or far", "saddle high"), ("bar high or near", "saddle low"),
        "ask about neck, hands and back; try 5 mm of spacers",
    ),
    "elbow_flexion_deg": Causes(
        ("bar far or low", "arms held straight by habit"), ("bar near or high", "hands pulled back on the bar"),
        "ask for hands in another grip for a minute and film again: a habit goes with the grip, the reach stays",
    ),
    "knee_path_mm": Causes(
        ("stance narrow or wide for this hip", "foot held by the end of its float"),
        ("foot held by the end of its float", "stance width", "a habit of the hip"),
        "compare left with right and with the rider's own repeat; it matters only together with pain",
    ),
}  # fmt: skip
NONE = Causes((), (), "")
ESTIMATE = (
    "an estimate, described only: it hangs from points that were guessed and that nobody confirmed, so no plan acts "
    "on it"
)
CONFIRM = "confirm the guessed points where they are marked in the film, and follow them again"
REFUSED_TEST = "measure it again by the band's own method, or choose a band that was made with this one"


def causes_of(key: str) -> Causes:
    """The causes for "quantity.event"."""
    return CAUSES.get(key.rsplit(".", 1)[0], NONE)


def beside(inputs: PlanInputs, side: str, key: str) -> tuple[str, ...]:
    """What else was measured that speaks for one cause or another, in words."""
    quantity = key.rsplit(".", 1)[0]
    found = list(_other_leg(inputs, side, key))
    if quantity == "knee_flexion_deg":
        pitch = reading.ride_value(inputs, side, "sole_pitch_deg.bdc")
        ankle = reading.ride_value(inputs, side, "ankle_plantarflexion_deg.bdc")
        if pitch is not None and not pitch.estimate:
            found.append(f"at the bottom the heel is carried {pitch} up")
        if ankle is not None and not ankle.estimate:
            found.append(f"at the bottom the ankle is pointed {ankle}")
        difference = inputs.leg_length_difference_mm
        if difference is not None and abs(difference.value) > 1.96 * difference.u:
            longer = "right" if difference.value > 0 else "left"
            found.append(f"the {longer} leg is longer by {replace(difference, value=abs(difference.value))}")
    if quantity in ("cleat_rotation_deg", "foot_yaw_deg"):
        margin = reading.float_margin(inputs, side) if side in SIDES else None
        if margin is not None:
            found.append(f"the ridden yaw keeps {margin} from the nearest end of the float")
    return tuple(found)


def _other_leg(inputs: PlanInputs, side: str, key: str) -> tuple[str, ...]:
    """Whether the other side shows the same: then it is no matter of one leg."""
    if side not in SIDES:
        return ()
    other = "left" if side == "right" else "right"
    mine, theirs = (reading.ride_value(inputs, s, key) for s in (side, other))
    if mine is None or theirs is None or mine.estimate or theirs.estimate:
        return ()
    same = "not distinguishable from it" if not distinguishable(mine, theirs) else "a clear difference"
    return (f"the {other} side reads {theirs}: {same}",)
