"""Mass, centre of mass and radius of gyration of thigh, shank and foot, from two published families.

The families cut the thigh differently: de Leva's is 40 % heavier than Dempster's. A result names its family and
never mixes two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fitwright.errors import InputError


@dataclass(frozen=True)
class Segment:
    """One segment, sagittal plane.

    Attributes: mass: share of the body's mass. centre: centre of mass from the proximal end (the foot: from the heel)
    as a share of the length. gyration: radius about the centre of mass, axis across the plane, as a share of it.
    """

    mass: float
    centre: float
    gyration: float


@dataclass(frozen=True)
class SegmentFamily:
    """Thigh (hip to knee centre), shank (knee centre to lateral malleolus), foot (heel to toe tip or M5)."""

    key: str
    source: str
    thigh: Segment
    shank: Segment
    foot: Segment

    @property
    def leg(self) -> tuple[Segment, Segment, Segment]:
        """Thigh, shank, foot."""
        return self.thigh, self.shank, self.foot


DE_LEVA = "de Leva 1996, J Biomech 29:1223, table 4 (10.1016/0021-9290(95)00178-6); transverse radii"
WINTER = "Winter 2009, table 4.1 (after Dempster)"
FAMILIES: Mapping[str, SegmentFamily] = {
    f.key: f
    for f in (
        SegmentFamily("de_leva_female", DE_LEVA, Segment(0.1478, 0.3612, 0.364), Segment(0.0481, 0.4416, 0.267),
                      Segment(0.0129, 0.4014, 0.279)),
        SegmentFamily("de_leva_male", DE_LEVA, Segment(0.1416, 0.4095, 0.329), Segment(0.0433, 0.4459, 0.249),
                      Segment(0.0137, 0.4415, 0.245)),
        SegmentFamily("winter", WINTER, Segment(0.1, 0.433, 0.323), Segment(0.0465, 0.433, 0.302),
                      Segment(0.0145, 0.5, 0.475)),
    )
}  # fmt: skip


def segment_family(key: str) -> SegmentFamily:
    """The family of this key; InputError names those there are."""
    if key not in FAMILIES:
        raise InputError("segments", "unknown", value=key, allowed=", ".join(FAMILIES))
    return FAMILIES[key]
