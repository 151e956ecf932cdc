"""From a sole photograph and picked points to a sole reading: what the page and the command line share.

No database here: a path and points go in, a `SoleReading` comes out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import CLEAT, check_foot, check_names, from_sole, read_sole, to_sole
from fitwright.foot.sole import SoleReading
from fitwright.given import read_json
from fitwright.quantity import Floats, Measured, combine
from fitwright.vision.card import SCALE_CARD, CardLayout
from fitwright.vision.lens import LensPrior
from fitwright.vision.photo import U_PICK_PX, card_plane, outside_by_mm, plane_quality
from fitwright.vision.picture import Picture, read_picture
from fitwright.vision.plane import CardPlane, ray_to_plane

BoolArray = NDArray[np.bool_]
U_HEIGHT_MM, U_UNEVEN_MM = 1.0, 0.3
"""How well the sole lies in the card's plane when nothing else is said, and how uneven it is (common practice, no
source)."""
IN_PLANE = Measured(0.0, 0.0, "mm", "level with the sole")
HEIGHT_UNKNOWN = Measured(0.0, 4.0, "mm", "not known")
"""Of a cleat's face above the sole. Nobody said it: left at 0, where a mark is what it looks like, with a u that at
95 % reaches as high as cleats stand (up to 8 mm; common practice, no source)."""
U_TOLD_MM = 0.5  # of a height that was measured with a ruler or depth gauge; our assumption
ON_CLEAT = ("cleat_", "axle_", "datum_", "bolt_")  # bolt heads lie little below the face
TYPICAL_SLOPE = 0.2  # of a ray to a mark against the plumb line: what unevenness shifts it sideways
FAR_MM = 45.0
"""A sole may be this much longer than the corners beside it before a note says so."""


def measure_sole(
    photo: Path | Picture, foot: str, points: Mapping[str, tuple[float, float]], *,
    card: CardLayout = SCALE_CARD, lens: LensPrior | None = None, plane: CardPlane | None = None,
    from_below: bool = True, u_pick_px: float | Mapping[str, float] = U_PICK_PX,
    height_mm: float = 0.0, u_height_mm: float = U_HEIGHT_MM, heights_mm: Mapping[str, float] | None = None,
    outline_px: Floats | None = None, cleat_height: Measured = IN_PLANE,
) -> SoleReading:  # fmt: skip
    """Measure a sole.

    Args:
        photo: file, or a picture already read. foot: "left" or "right".
        points: name → (u, v) in pixels of the upright picture; heel_centre and toe are needed, then m1, m5,
            cleat_nose, cleat_tail, axle_inner, axle_outer, datum_1, ...
        card: with its measured check bar. lens: what a calibration knows of the camera. plane: the card's plane in
            this picture when it was fitted already (card and lens are then its own).
        from_below: the sole is looked at (an insole: False).
        u_pick_px: how well points were picked, for all or by name (a hand's pick where a name is left out).
        height_mm, u_height_mm: the sole above the card's plane (towards the camera); heights_mm: other heights for
            single points (a toe that springs up).
        outline_px: (n, 2) the sole's edge in the picture, kept in the sole frame.
        cleat_height: of the face that the marks `ON_CLEAT` are on, above the sole. Its u widens what is said of the
            cleat on the sole, not of its motion between two photographs: seen alike, its height drops out there.

    Raises:
        InputError: what is wrong with the photograph, the card or the points, and what to do.
    """
    check_foot(foot)
    check_names(list(points))
    check_range("height_mm", height_mm, -100, 100, "mm above the card's plane")
    u_px = _u_picks(list(points), u_pick_px)
    picture = photo if isinstance(photo, Picture) else read_picture(photo)
    pixels = np.array([picture.check_inside(name, uv) for name, uv in points.items()])
    plane = plane or card_plane(picture, card, lens)
    raised = _raised(list(points), heights_mm or {})
    heights = (
        np.array([(heights_mm or {}).get(name, height_mm) for name in points]) + raised * cleat_height.value
    )
    mapped = plane.to_plane(pixels, u_px, heights, u_height_mm, U_UNEVEN_MM)
    per_mm = _moved_per_mm(plane, pixels, heights, raised)
    quality = plane_quality(plane, card)
    quality["notes"] += _far_points(list(points), outside_by_mm(plane, mapped.xy_mm))
    quality["u_mark_mm"] = _u_mark_mm(list(points), u_px, plane)
    quality["from_below"] = from_below
    if cleat_height == HEIGHT_UNKNOWN and raised.any():
        quality["notes"].append(_height_note(per_mm[raised]))

    def read(covariance: Floats) -> SoleReading:
        return read_sole(
            foot, list(points), mapped.xy_mm, covariance, from_below=from_below,
            method="sole photograph with scale card", quality=quality,
        )  # fmt: skip

    reading = read(mapped.covariance_mm2)
    if cleat_height.u > 0 and raised.any():
        lift = cleat_height.u * per_mm.ravel()
        reading = replace(read(mapped.covariance_mm2 + np.outer(lift, lift)), joint_mm2=reading.joint_mm2)
    if outline_px is None:
        return reading
    at = dict(zip(points, mapped.xy_mm, strict=True))
    edge = to_sole(plane.places_mm(outline_px), at["heel_centre"], at["toe"], foot, from_below)
    return replace(reading, outline_mm=tuple((round(x, 2), round(z, 2)) for x, z in edge.tolist()))


def _raised(names: list[str], told: Mapping[str, float]) -> BoolArray:
    """(n,) which points stand on the cleat's face; bolts without a cleat lie in the sole."""
    return np.array([
        n.startswith(ON_CLEAT) and n not in told and (CLEAT[0] in names or not n.startswith("bolt_")) for n in names
    ])  # fmt: skip


def _moved_per_mm(plane: CardPlane, pixels: Floats, heights: Floats, raised: BoolArray) -> Floats:
    """(n, 2) mm by which each point moves in the card's plane for each mm that the cleat's face stands higher."""
    here, higher = (
        ray_to_plane(plane.parameters, plane.start_rotation, pixels, h) for h in (heights, heights + raised)
    )
    return np.asarray((higher - here) * plane.print_scale.value)


def _height_note(per_mm: Floats) -> str:
    return (
        "how high the cleat’s face stands above the sole is not said: its marks are taken as level with it, and "
        f"each mm moves the cleat by about {float(np.hypot(*per_mm.mean(axis=0))):.2f} mm (Shoes and hardware)"
    )


def _u_picks(names: list[str], u_pick_px: float | Mapping[str, float]) -> Floats:
    """(n,) standard uncertainty of each picked coordinate, px."""
    by_name = dict.fromkeys(names, u_pick_px) if isinstance(u_pick_px, int | float) else u_pick_px
    picks = {name: by_name.get(name, U_PICK_PX) for name in names}
    for name, u in picks.items():
        check_range(
            f"u_pick_px of {name}" if len(set(picks.values())) > 1 else "u_pick_px", u, 0.02, 50, "px"
        )
    return np.array([picks[name] for name in names])


def _u_mark_mm(names: list[str], u_px: Floats, plane: CardPlane) -> float:
    """What one mark on the cleat does not share with the others: how it was picked, and the sole's unevenness."""
    on_cleat = [u for name, u in zip(names, u_px, strict=True) if name in CLEAT or name.startswith("datum_")]
    picked = float(np.sqrt(np.mean(np.square(on_cleat or u_px))))
    return combine(picked / plane.px_per_mm, U_UNEVEN_MM * TYPICAL_SLOPE)


def _far_points(names: list[str], outside_mm: Any) -> list[str]:
    return [
        f"{name} lies {d:.0f} mm outside the card's strips (extrapolated; its uncertainty says so)"
        for name, d in zip(names, outside_mm, strict=True)
        if d > FAR_MM
    ]


def read_points(path: Path) -> dict[str, tuple[float, float]]:
    """`{"points": {name: [u, v]}}` from a JSON file; InputError names what cannot be used."""
    data = read_json("points", path)
    points = data.get("points") if isinstance(data, dict) else None
    if not isinstance(points, dict):
        raise InputError(path.name, 'no "points" object', allowed='{"points": {"heel_centre": [u, v], ...}}')
    return {name: _pair(name, value) for name, value in points.items()}


def _pair(name: str, value: Any) -> tuple[float, float]:
    numbers = isinstance(value, list | tuple) and len(value) == 2 and all(
        isinstance(x, int | float) and not isinstance(x, bool) for x in value
    )  # fmt: skip
    if not numbers:
        raise InputError(name, "not a pair of pixel numbers", value=str(value), allowed="[u, v]")
    try:
        return float(value[0]), float(value[1])
    except OverflowError:
        raise InputError(name, "a number far too large for a pixel", allowed="[u, v]") from None


def read_reading(path: Path) -> SoleReading:
    """A sole reading from the JSON that `feet measure --json` printed; InputError when it is something else."""
    data = read_json("reading", path)
    try:
        return SoleReading.from_json(data)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            path.name, f"not a sole reading (missing or wrong: {error})",
            hint="Use the output of `fitwright feet measure ... --json`.",
        ) from None  # fmt: skip


def sole_picture_points(
    photo: Path | Picture, foot: str, heel_px: tuple[float, float], toe_px: tuple[float, float],
    points_mm: Mapping[str, tuple[float, float]], *, card: CardLayout = SCALE_CARD, from_below: bool = True,
) -> dict[str, tuple[float, float]]:  # fmt: skip
    """Where points of the sole frame lie in the photograph (px): to draw a wished cleat over the sole."""
    picture = photo if isinstance(photo, Picture) else read_picture(photo)
    plane = card_plane(picture, card)
    heel, toe = plane.to_plane(np.array([heel_px, toe_px])).xy_mm
    xy = from_sole(
        np.array(list(points_mm.values()), dtype=np.float64), heel, toe, check_foot(foot), from_below
    )
    uv = plane.to_picture(xy)
    return {name: (float(u), float(v)) for name, (u, v) in zip(points_mm, uv, strict=True)}
