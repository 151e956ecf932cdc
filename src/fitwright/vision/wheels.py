"""Wheels and known lengths in the side film: further rulers, and a check on the camera's slant.

A wheel's rim is a circle in the bike's mid-plane: the same radius wherever one looks along it, in both wheels alike
when they are of one size. A camera askew shows the nearer wheel larger. With the diameter known a wheel is a ruler
too, as is any stated length between two marks or a printed card held beside the bike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitwright.quantity import Floats, combine
from fitwright.vision.camera import U_PICK_PX, Pinhole

RIM_POINTS = {
    wheel: (f"{wheel}_axle", tuple(f"{wheel}_rim_{k}" for k in (1, 2, 3, 4))) for wheel in ("rear", "front")
}
"""Wheel → its axle and the points on its rim (or on its tyre's outer edge: one of them for all)."""
LENGTH_POINTS = ("length_1", "length_2")
ROUND_U_MM = 1.0
"""How round a wheel is and how well its edge is defined (our choice)."""
PLANE_U_MM = 5.0
"""How well a wheel, or something held beside the bike, keeps to its plane (our choice)."""


@dataclass(frozen=True)
class Wheels:
    """Rims of one or both wheels in the mid-plane.

    Attributes: axles_px: wheel → (2,) px from the picture's centre, u forward. rims_px: wheel → (n, 2).
    radius_mm: of the marked circle, or None when not known. u_px of one pick.
    """

    axles_px: Mapping[str, Floats]
    rims_px: Mapping[str, Floats]
    radius_mm: float | None = None
    u_px: float = U_PICK_PX

    def radii_mm(self, lens: Pinhole) -> Floats:
        """(N,) distances rim–axle as this camera reads them, both wheels."""
        return np.concatenate([
            np.linalg.norm(lens.meet(rim, 2, 0.0)[:, :2] - lens.meet(self.axles_px[w], 2, 0.0)[:2], axis=1)
            for w, rim in self.rims_px.items()
        ])  # fmt: skip

    def misfit(self, lens: Pinhole) -> Floats:
        """(N,) how far the rim is from round (and from its size, when that is known): the `Witness` of the fit.

        The axle's own pick is shared by a wheel's rim points; it is counted in each, which is cautious.
        """
        radii = self.radii_mm(lens)
        size = float(radii.mean()) if self.radius_mm is None else self.radius_mm
        return np.asarray((radii - size) / self._u_mm(lens))

    def ratio(self, lens: Pinhole) -> float:
        """Radius read over radius known."""
        return float(self.radii_mm(lens).mean()) / (self.radius_mm or math.nan)

    def u_ratio(self, lens: Pinhole) -> float:
        """Standard uncertainty of the ratio from picks and roundness; the camera's own not counted."""
        return self._u_mm(lens) / math.sqrt(len(self.radii_mm(lens))) / (self.radius_mm or math.nan)

    @property
    def how(self) -> str:
        """What it is, in words."""
        return "both wheels" if len(self.rims_px) == 2 else f"the {next(iter(self.rims_px))} wheel"

    def _u_mm(self, lens: Pinhole) -> float:
        per_px = lens.place_mm[2] / lens.focal_px
        return combine(math.sqrt(2.0) * self.u_px * per_px, ROUND_U_MM)


@dataclass(frozen=True)
class KnownSize:
    """Points of known places to one another, in a plane parallel to the bike's: two marks, or a card's corners.

    Attributes: how, in words; px (n, 2) from the picture's centre, u forward; mm (n, 2); depth_mm of their plane
    beside the mid-plane, toward the camera; u_mm of the size as stated; u_px of one coordinate.
    """

    how: str
    px: Floats
    mm: Floats
    depth_mm: float = 0.0
    u_mm: float = 1.0
    u_px: float = U_PICK_PX

    def ratio(self, lens: Pinhole) -> float:
        """Size as this camera reads it over the size known (least-squares scale, Umeyama 1991)."""
        read = lens.meet(self.px, 2, self.depth_mm)[:, :2]
        read, known = read - read.mean(axis=0), self.mm - self.mm.mean(axis=0)
        a, b = read[:, 0] + 1j * read[:, 1], known[:, 0] - 1j * known[:, 1]  # the picture's v runs down, Y up
        aligned = max(abs(np.sum(a * b)), abs(np.sum(a * np.conj(b))))
        return float(aligned / np.sum(np.abs(b) ** 2))

    def u_ratio(self, lens: Pinhole) -> float:
        """Standard uncertainty of the ratio; the camera's own not counted."""
        spread = float(np.sqrt(np.sum((self.mm - self.mm.mean(axis=0)) ** 2)))
        away = lens.place_mm[2] - self.depth_mm
        picked = self.u_px * away / lens.focal_px / spread
        return combine(picked, self.u_mm / self._length_mm, PLANE_U_MM / away)

    def misfit(self, lens: Pinhole) -> Floats:
        """(1,) the `Witness` of the camera's fit."""
        return np.array([(self.ratio(lens) - 1.0) / self.u_ratio(lens)])

    @property
    def _length_mm(self) -> float:
        return float(np.max(np.linalg.norm(self.mm[:, None] - self.mm[None], axis=-1)))


Ruler = Wheels | KnownSize


def wheels_in(still_px: Mapping[str, Floats], wheel_mm: float | None) -> Wheels | None:
    """The wheels of which axle and at least two rim points are marked; `wheel_mm` is the marked circle's diameter."""
    axles, rims = {}, {}
    for wheel, (axle, names) in RIM_POINTS.items():
        marked = [still_px[n] for n in names if n in still_px]
        if axle in still_px and len(marked) >= 2:
            axles[wheel], rims[wheel] = np.asarray(still_px[axle]), np.array(marked)
    return Wheels(axles, rims, None if wheel_mm is None else wheel_mm / 2) if rims else None
