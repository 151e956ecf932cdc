"""What the tool is and is not, and when to stop: the same words at Intake, Plan and on every sheet."""

from __future__ import annotations

from collections.abc import Iterable

from fitwright.told import told

WHAT_IT_IS = (
    "Fitwright measures, draws and remembers. It is no medical device, makes no diagnosis and claims no therapy; "
    "the person who fits decides, together with the rider."
)
STOP_AND_REFER = (
    "Stop and see a doctor or physiotherapist first: pain at rest or at night, a swollen or locking joint, a recent "
    "fall or injury, numbness that stays, weakness, a known unstable condition, acute illness or chest pain."
)
AFTER_THE_FIRST_RIDE = (
    "Every bolt that was turned is tightened to the torque that the part states, checked before the first ride and "
    "again after it. Ride easily at first, where you can stop."
)
PARTS_PREVAIL = (
    "The parts' own limits prevail: minimum insertion mark, clamping area, spacer stack, torque, and the safety "
    "requirements of ISO 4210. Nothing on this sheet permits more."
)
SMALL_STEPS = (
    "Change in small steps, one at a time, and give the body some rides to get used to it. If pain appears or grows, "
    "go back to the last position and ask."
)
TORQUE = "torque: as the part's maker states"
SIMULATED = "simulated: an invented rider, computed input, no real person"

ALL: tuple[str, ...] = (WHAT_IT_IS, STOP_AND_REFER, AFTER_THE_FIRST_RIDE, PARTS_PREVAIL, SMALL_STEPS)
ON_A_CARD: tuple[str, ...] = (AFTER_THE_FIRST_RIDE, PARTS_PREVAIL)


def told_all(sentences: Iterable[str]) -> list[str]:
    """Ours in the language of the paper; a sentence of the studio's own stays as it was typed."""
    return [told(s) if s in ALL else s for s in sentences]
