"""Camera shake: what stands still in the room, or on the bike, must stand still in the picture.

Points that do not move with the rider (bottom bracket, wheel axles, marks on frame or floor) show how the picture was
shifted and turned in each frame; that is taken off all points. Points on the frame are best: they also take off what
the bike does on its trainer. Where there are none, the crank's circle tells only that something shook.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitwright.motion.circle import fit_circle
from fitwright.quantity import Floats, combine

LEAST_SEEN = 0.5
STILL_PX, STILL_NOISES = 0.12, 3.0
"""A picture that moves less than this, or less than so many times the points' own noise, is left as it is."""
LEVER_PX = 250.0
"""Points nearer to one another say nothing of a turn of the picture."""
STRAY_PX, STRAY_TIMES = 1.0, 4.0
UNROUND_TIMES = 2.0
TREMBLE_PX = 0.5

Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Shake:
    """How the picture moved.

    Attributes: names of the still points used; strays: left out because they do not move with the others; moved_px
    RMS and largest_px movement of the picture; left_px RMS of what is left at the still points (NaN with one); turn,
    shift (T,): place now = turn · place at rest + shift, complex px; corrected.
    """

    names: tuple[str, ...] = ()
    strays: tuple[str, ...] = ()
    moved_px: float = 0.0
    largest_px: float = 0.0
    left_px: float = math.nan
    turn: Complex | None = None
    shift: Complex | None = None

    @property
    def corrected(self) -> bool:
        """Whether the movement was large enough to be taken off."""
        return self.turn is not None

    def rest(self, px: Floats, at: int | slice = slice(None)) -> Floats:
        """(..., 2) pixels as in the picture at rest; the first axis is time unless `at` is one frame."""
        if self.turn is None or self.shift is None:
            return px
        turn, shift = self.turn[at], self.shift[at]
        if isinstance(at, slice):
            extra = (1,) * (px.ndim - 2)
            turn, shift = turn.reshape(-1, *extra), shift.reshape(-1, *extra)
        z = (px[..., 0] + 1j * px[..., 1] - shift) / turn
        return np.stack([z.real, z.imag], axis=-1)

    @property
    def words(self) -> tuple[str, ...]:
        """What to say of it."""
        out = []
        if self.strays:
            out.append(f"{', '.join(self.strays).replace('_', ' ')}: does not keep its distance from the other still "
                       "points or from the crank's circle, and was not used against shake.")  # fmt: skip
        if self.corrected:
            out.append(f"The picture moves by {self.moved_px:.1f} px (at most {self.largest_px:.1f}) against "
                       f"{', '.join(self.names).replace('_', ' ')}: taken off all points.")  # fmt: skip
        return tuple(out)

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        left = None if math.isnan(self.left_px) else self.left_px
        return {"points": list(self.names), "strays": list(self.strays), "moved_px": self.moved_px,
                "largest_px": self.largest_px, "left_px": left, "corrected": self.corrected}  # fmt: skip


def find_shake(names: Sequence[str], px: Floats, u_px: Floats, still: Sequence[str]) -> Shake:
    """The movement of the picture from its still points.

    Args:
        names: (P,) of all points. px, u_px: (T, P, 2), NaN where not seen. still: names that stand still.
    """
    seen = np.isfinite(px[..., 0]).mean(axis=0)
    used = [i for i, n in enumerate(names) if n in still and seen[i] >= LEAST_SEEN]
    if not used:
        return Shake()
    used, strays = _without_strays(px, used)
    place = _complex(px[:, used])
    noise = combine(*(float(np.nanmedian(u_px[:, i])) for i in used)) / len(used)
    whole = _movement(place)
    middle = _rest(place).mean()
    moved = np.abs(whole[0] * middle + whole[1] - middle)
    told = Shake(
        tuple(names[i] for i in used), tuple(names[i] for i in strays), float(np.sqrt(np.mean(moved**2))),
        float(moved.max()), _left(place, whole) if len(used) > 1 else math.nan,
    )  # fmt: skip
    if told.moved_px < max(STILL_PX, STILL_NOISES * noise):
        return told
    return replace(told, turn=whole[0], shift=whole[1])


def round_as_before(shake: Shake, axle_px: Floats) -> Shake:
    """The shake itself, unless taking it off makes the axle's path (T, 2) less round: then what it rests on does not
    stand still, but went along with a leg, and it is not used."""
    if not shake.corrected:
        return shake
    before, after = (
        fit_circle(*path.T).residual_sd_mm for path in (axle_px, shake.rest(axle_px))
    )  # px, not mm
    return Shake(strays=shake.names) if after > UNROUND_TIMES * before + STRAY_PX else shake


def _complex(px: Floats) -> Complex:
    """(T, K) places as complex numbers, NaN where not seen."""
    return np.asarray(px[..., 0] + 1j * px[..., 1])


def _rest(place: Complex) -> Complex:
    """(K,) where each point is most of the time."""
    return np.asarray(np.nanmedian(place.real, axis=0) + 1j * np.nanmedian(place.imag, axis=0))


def _movement(place: Complex) -> tuple[Complex, Complex]:
    """(turn, shift), (T,) each: least-squares similarity from the places at rest (Umeyama 1991, in complex form).

    Each frame is told by the points that it shows; a plain shift when they lie too near together. Frames that show
    too little are filled in from their neighbours.
    """
    rest, seen = _rest(place), np.isfinite(place)
    count = np.where(seen.any(axis=1), seen.sum(axis=1), np.nan)
    here = np.where(seen, place, 0.0)
    with np.errstate(invalid="ignore"):  # frames without any point are filled in below
        middle, now = seen @ rest / count, here.sum(axis=1) / count
    lever = np.where(seen, rest - middle[:, None], 0.0)
    reach = np.sum(np.abs(lever) ** 2, axis=1)
    turn = np.ones(len(place), dtype=np.complex128)
    if np.sqrt(np.sum(np.abs(rest - rest.mean()) ** 2)) >= LEVER_PX:
        wide = reach >= LEVER_PX**2
        turned = np.sum((here - np.where(seen, now[:, None], 0.0)) * np.conj(lever), axis=1)
        turn = _between(np.where(wide, turned / np.where(wide, reach, 1.0), np.nan))
    return turn, _between(now - turn * middle)


def _between(x: Complex) -> Complex:
    """(T,) with NaN filled in from the neighbours."""
    frames, good = np.arange(len(x)), np.isfinite(x)
    return np.asarray(
        np.interp(frames, frames[good], x[good].real) + 1j * np.interp(frames, frames[good], x[good].imag)
    )


def _left(place: Complex, movement: tuple[Complex, Complex]) -> float:
    """RMS distance left at the still points."""
    off = place - movement[0][:, None] * _rest(place) - movement[1][:, None]
    return float(np.sqrt(np.nanmean(np.abs(off) ** 2)))


def _without_strays(px: Floats, used: list[int]) -> tuple[list[int], list[int]]:
    """Of three and more points the ones without which the others agree, if they are plainly the ones."""
    strays: list[int] = []
    while len(used) >= 3:
        place = _complex(px[:, used])
        left = _left(place, _movement(place))
        without = [_left(o, _movement(o)) for o in (np.delete(place, k, axis=1) for k in range(len(used)))]
        best, least = int(np.argmin(without)), sorted(without)
        if left < STRAY_PX or least[0] * STRAY_TIMES > left or (len(used) > 3 and least[1] < 2 * least[0]):
            break
        if len(used) == 3:  # any two agree with one another: the one that moves most is not still
            best = int(np.argmax(np.nanstd(place, axis=0)))
        strays.append(used.pop(best))
    return used, strays


def tremble_px(axle_px: Floats, angle_rad: Floats) -> float:
    """How far the axle's distance from its circle strays without rhythm, px RMS: shake, or a bad track.

    Args:
        axle_px: (T, 2) from the circle's centre. angle_rad: (T,) crank angle. What returns in every turn (slant, a
            sticker beside the axle) is taken off by the mean of each of 24 sectors.
    """
    good = np.isfinite(axle_px[:, 0]) & np.isfinite(angle_rad)
    r = np.linalg.norm(axle_px[good], axis=1)
    sector = (np.degrees(angle_rad[good]) % 360 // 15).astype(int)
    count = np.bincount(sector, minlength=24)
    mean = np.bincount(sector, r, minlength=24) / np.maximum(count, 1)
    keep = count[sector] > 3
    share = np.sqrt(count[sector] / np.maximum(count[sector] - 1, 1))
    off = (r - mean[sector]) * share
    return float(np.sqrt(np.mean(off[keep] ** 2))) if keep.any() else 0.0
