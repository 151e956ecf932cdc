"""Where M1 and M5 probably lie in a shoe when nobody has measured them: a guess from the bare foot.

What is published is the first head on the bare foot and the foot's breadth (Gordon et al. 2014, NATICK/TR-15/007).
The fifth head, and how the foot lies in the shoe, are assumptions marked as such; their spread is part of the u.
"""

from __future__ import annotations

import numpy as np

from fitwright.foot.marks import COORDINATES, Observation
from fitwright.quantity import Measured

FIFTH_HEAD = Measured(0.63, 0.02, "1", "fifth metatarsal head / foot length, from memory, no source")
HEEL_IN_SHOE = Measured(
    6.0, 3.0, "mm", "heel of the foot ahead of the heel of the sole: common practice, no source"
)
HEAD_INSIDE = Measured(9.0, 3.0, "mm", "middle of a head inward of the foot's edge: from memory, no source")
FOOT_OFF_MIDLINE = Measured(
    2.0, 4.0, "mm", "middle of the ball outward of the sole's mid-line: our assumption"
)


def guess_from_foot(length: Measured, ball: Measured, breadth: Measured, source: str) -> Observation:
    """The guess, with the correlations that heel, breadth and mid-line give it.

    Args:
        length: of the foot, mm. ball: heel to the first head along the bare foot, mm, measured or length × ratio.
        breadth: of the foot at the ball, mm, measured or length × ratio. source: in words.
    """
    inputs = (ball, length, FIFTH_HEAD, HEEL_IN_SHOE, breadth, HEAD_INSIDE, FOOT_OFF_MIDLINE)
    half = breadth.value / 2 - HEAD_INSIDE.value
    values = np.array([
        HEEL_IN_SHOE.value + ball.value, FOOT_OFF_MIDLINE.value - half,
        HEEL_IN_SHOE.value + FIFTH_HEAD.value * length.value, FOOT_OFF_MIDLINE.value + half,
    ])  # fmt: skip
    J = np.array([
        [1, 0, 0, 1, 0, 0, 0],
        [0, 0, 0, 0, -0.5, 1, 1],
        [0, FIFTH_HEAD.value, length.value, 1, 0, 0, 0],
        [0, 0, 0, 0, 0.5, -1, 1],
    ])  # fmt: skip
    spread = np.array([m.u for m in inputs]) ** 2
    return Observation(source, COORDINATES, values, (J * spread) @ J.T, guess=True)
