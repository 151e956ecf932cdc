"""Where a film's points are not to be trusted, and what to film otherwise.

What is looked for in each point: spells in which it was not seen, is unsure, lies where the other leg's point usually
is, or in which a limb changes its length. The usual place by crank angle is a short Fourier series through all turns.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitwright.motion.smoothing import stretches
from fitwright.quantity import Floats

LIMBS = (
    ("acromion", "greater_trochanter"), ("greater_trochanter", "lateral_femoral_condyle"),
    ("lateral_femoral_condyle", "lateral_malleolus"), ("heel", "fifth_metatarsal"), ("acromion", "elbow"),
    ("elbow", "wrist"), ("bottom_bracket", "pedal_axle"),
)  # fmt: skip
"""Pairs of the side view whose distance is that of a bone, a shoe or a crank."""
LEG = ("lateral_femoral_condyle", "lateral_malleolus", "heel", "fifth_metatarsal", "pedal_axle")
"""Points that the other leg has too, half a turn away."""
# Bounds of our choice, none from a source:
SHORTEST_SPELL_S, JOINED_S = 0.05, 0.1
UNSURE_TIMES, UNSURE_PX = 4.0, 1.5
STRETCH_SPREADS, STRETCH_SHARE = 6.0, 0.03
EDGE_SHARE = 0.02
COARSEST_DEG = 12.0
BURNT_SHARE = 0.05
TRUSTED_SHARE = 0.6
STANDS_DEG_S, STANDS_S = 30.0, 0.5
KINDS = {
    "lost": "not seen", "left": "leaves the picture", "unsure": "unsure", "other": "where the other leg’s is",
    "stretched": "changes its distance to its neighbour",
}  # fmt: skip


@dataclass(frozen=True)
class Followed:
    """Points of one film: time_s (T,), uv_px name → (T, 2) upright pixels, NaN where not seen, u_px name → (T,)
    standard uncertainty, theta_deg (T,) unwrapped crank angle, size_px of the upright picture."""

    time_s: Floats
    uv_px: Mapping[str, Floats]
    u_px: Mapping[str, Floats]
    theta_deg: Floats
    size_px: tuple[int, int]


@dataclass(frozen=True)
class Spell:
    """A point that is weak in frames `first` to `last`, both included; `kind` is a key of `KINDS`."""

    name: str
    kind: str
    first: int
    last: int


def weak_spells(film: Followed) -> tuple[Spell, ...]:
    """All weak spells in order of time; of one point and frame only the gravest is told."""
    found: list[Spell] = []
    stretched = _stretched(film)
    for name, uv in film.uv_px.items():
        seen = np.isfinite(uv[:, 0])
        other = _at_the_other_leg(film, uv) if name in LEG else np.zeros_like(seen)
        unsure = seen & _unsure(film.u_px[name]) & ~other
        stretch = stretched.get(name, np.zeros_like(seen)) & ~other & ~unsure
        for kind, weak in (("lost", ~seen), ("other", other), ("unsure", unsure), ("stretched", stretch)):
            for first, last in _spells(film.time_s, weak):
                left = kind == "lost" and _near_edge(uv, first, last, film.size_px)
                found.append(Spell(name, "left" if left else kind, first, last))
    return tuple(sorted(found, key=lambda s: (s.first, s.name)))


def standing(time_s: Floats, theta_deg: Floats) -> tuple[tuple[float, float], ...]:
    """From and to (s) of the spells in which the crank, unwrapped (T,) deg, stands (nearly) still."""
    pace = np.abs(np.gradient(theta_deg, time_s)) if time_s.size > 1 else np.full(time_s.size, np.nan)
    runs = _spells(time_s, np.asarray(pace < STANDS_DEG_S))
    spans = ((float(time_s[first]), float(time_s[last])) for first, last in runs)
    return tuple((since, until) for since, until in spans if until - since >= STANDS_S)


def advice(
    spells: tuple[Spell, ...], time_s: Floats, cadence_rpm: float, fps: float, burnt: float | None = None,
    theta_deg: Floats | None = None,
) -> tuple[str, ...]:  # fmt: skip
    """What to film otherwise, in words.

    Args:
        spells: the film's. cadence_rpm, fps: of the ride and of the film. burnt: mean share of burnt-out pixels.
        theta_deg: (T,) unwrapped crank angle, where it is known.
    """
    out = []
    for since, until in () if theta_deg is None else standing(time_s, theta_deg):
        out.append(f"The pedals stand still from {since:.1f} to {until:.1f} s. Only whole turns at an even pace "
                   "count: film half a minute of steady riding.")  # fmt: skip
    step = 6.0 * cadence_rpm / fps if fps > 0 else 0.0
    if step > COARSEST_DEG:
        needed = next(f for f in (60, 120, 240, 480, 960) if 6.0 * cadence_rpm / f <= COARSEST_DEG)
        out.append(f"From one frame to the next the crank turns {step:.0f}°: too coarse for {cadence_rpm:.0f} rpm. "
                   f"Film at {needed} frames a second.")  # fmt: skip
    if burnt is not None and burnt > BURNT_SHARE:
        out.append(f"{burnt:.0%} of the picture is burnt out to plain white. Stickers lose their edge there: turn "
                   "the bike away from the window, or set the exposure darker.")  # fmt: skip
    whole = max(float(time_s[-1] - time_s[0]), 1e-9)
    for kind, words in _FILM_OTHERWISE.items():
        names = dict.fromkeys(s.name for s in spells if s.kind == kind)
        if names:
            spent = sum(time_s[s.last] - time_s[s.first] for s in spells if s.kind == kind)
            often = f"{spent:.1f} s" if spent < 0.1 * whole else f"{spent / whole:.0%} of the film"
            out.append(words.format(names=", ".join(names), often=often))
    return tuple(out)


_FILM_OTHERWISE = {
    "other": "{names}: for {often} taken for the other leg’s, which passes behind. Correct it there once; darker "
    "socks or a sheet behind the far leg help.",
    "left": "{names}: out of the picture for {often}. Step back or turn the camera, so that the whole rider and the "
    "whole turn of the pedals are in it.",
}


def words_of_quality(seen: float, u_px: float, kind: str, still: bool = False) -> str:
    """`a disc, seen in 98% of the frames, ± 0.1 px`; a point that stays still may be seen seldom."""
    share = "seen in every frame" if seen >= 0.9995 else f"seen in {min(seen, 0.99):.0%} of the frames"
    trust = "" if still or seen >= TRUSTED_SHARE else ", too seldom to be trusted"
    how = "a disc" if kind == "disc" else "cloth or skin"
    spread = f"± {max(0.1, 1.96 * u_px):.1f} px" if np.isfinite(u_px) else "no ±"
    return f"{how}, {share}{trust}, {spread}"


def usual(theta_deg: Floats, values: Floats, order: int, at_deg: Floats | None = None) -> Floats:
    """(N, ...) values of (T, D) that are usual at crank angles `at_deg` (default: those of the frames): a Fourier
    series through all turns, fitted twice, the second time without what lies far off. NaN when too little was seen.
    """
    at = theta_deg if at_deg is None else at_deg
    good = np.isfinite(theta_deg) & np.all(np.isfinite(values), axis=1)
    if good.sum() < 4 * (2 * order + 1):
        return np.full((at.size, values.shape[1]), np.nan)
    design = _harmonics(theta_deg, order)
    for _ in range(2):
        terms, *_ = np.linalg.lstsq(design[good], values[good], rcond=None)
        off = np.linalg.norm(values - design @ terms, axis=1)
        near = off < 3.0 * 1.4826 * np.nanmedian(off[good]) + 1e-6
        good = np.where(np.isfinite(off), good & near, False)
        if good.sum() < 2 * (2 * order + 1):
            break
    return np.asarray(_harmonics(at, order) @ terms)


def _harmonics(theta_deg: Floats, order: int) -> Floats:
    turn = np.radians(theta_deg)[:, None] * np.arange(1, order + 1)
    return np.concatenate([np.ones((theta_deg.size, 1)), np.cos(turn), np.sin(turn)], axis=1)


def _at_the_other_leg(film: Followed, uv: Floats) -> NDArray[np.bool_]:
    """(T,) whether the point lies nearer to its usual place of half a turn later than to that of now."""
    own = np.linalg.norm(uv - usual(film.theta_deg, uv, 5), axis=1)
    other = np.linalg.norm(uv - usual(film.theta_deg, uv, 5, film.theta_deg + 180.0), axis=1)
    return np.asarray(other < own)


def _unsure(u_px: Floats) -> NDArray[np.bool_]:
    usual_u = float(np.nanmedian(u_px)) if np.isfinite(u_px).any() else 0.0
    return np.asarray(np.nan_to_num(u_px) > max(UNSURE_PX, UNSURE_TIMES * usual_u))


def _stretched(film: Followed) -> dict[str, NDArray[np.bool_]]:
    """name → (T,) whether a limb at this point is longer or shorter than usual at that crank angle."""
    out: dict[str, NDArray[np.bool_]] = {}
    for a, b in LIMBS:
        if a not in film.uv_px or b not in film.uv_px:
            continue
        length = np.linalg.norm(film.uv_px[a] - film.uv_px[b], axis=1)
        off = np.abs(length - usual(film.theta_deg, length[:, None], 3)[:, 0])
        if not np.isfinite(off).any():
            continue
        spread = 1.4826 * float(np.nanmedian(off))
        bound = max(STRETCH_SPREADS * spread, STRETCH_SHARE * float(np.nanmedian(length)))
        out[b] = out.get(b, np.zeros(off.size, dtype=bool)) | (np.nan_to_num(off) > bound)
    return out


def _spells(time_s: Floats, weak: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of weak frames, those close to each other joined, short ones left out."""
    runs: list[tuple[int, int]] = []
    for run in stretches(weak):
        first, last = run.start, run.stop - 1
        if runs and time_s[first] - time_s[runs[-1][1]] <= JOINED_S:
            runs[-1] = (runs[-1][0], last)
        else:
            runs.append((first, last))
    step = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    return [(a, b) for a, b in runs if time_s[b] - time_s[a] + step >= SHORTEST_SPELL_S]


def _near_edge(uv: Floats, first: int, last: int, size_px: tuple[int, int]) -> bool:
    """Whether the point was last seen, or is seen again, at the picture's rim."""
    beside = [uv[k] for k in (first - 1, last + 1) if 0 <= k < len(uv) and np.isfinite(uv[k, 0])]
    room = EDGE_SHARE * max(size_px)
    return any(bool(np.any(at < room) or np.any(at > np.array(size_px) - 1 - room)) for at in beside)
