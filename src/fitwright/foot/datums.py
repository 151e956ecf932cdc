"""Datum marks of two readings matched: by name, and refused with the reason when the names cannot be right."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np

from fitwright.errors import InputError
from fitwright.foot.rigid import rigid_fit
from fitwright.foot.sole import SolePoint
from fitwright.quantity import Floats

MARK_MISFIT_MM = 1.5
MOST_TURN_DEG = 45.0
"""No cleat can be turned as far as this: a fit that says so has the wrong names."""
OFF_LINE_MM = 4.0
"""Marks nearer to one line than this would fit as well when mirrored or exchanged (our choice)."""
MOST_TRIED = 6  # marks whose orders are all tried: 720 fits

Marks = Mapping[str, SolePoint]


def match_marks(recorded: Marks, now: Marks, others: Sequence[tuple[Floats, Floats]] = ()) -> tuple[str, ...]:
    """Names of the datum marks in both readings, checked; one bad mark among good ones passes (see `compare`).

    Args:
        others: further points that may have moved with the marks (nose, tail), recorded and now.

    Raises:
        InputError: marks on one line, exchanged, named differently, mirrored, or of another shoe.
    """
    names = tuple(sorted(set(recorded) & set(now)))
    if len(names) < 3:
        _named_differently(recorded, now, names)
        return names
    a, b = _places(recorded, names), _places(now, names)
    for when, places in (("recorded", a), ("now", b)):
        if off_line_mm(places) < OFF_LINE_MM:
            raise InputError(
                "datum marks", f"lie on one line ({when}): exchanged or mirrored they would fit as well",
                value=f"{off_line_mm(places):.1f} mm off it", allowed=f"at least {OFF_LINE_MM:g} mm off",
                hint="Pick a mark off their line, or leave the marks out: nose and tail alone serve, less surely",
            )  # fmt: skip
    if _fits(a, b) <= MARK_MISFIT_MM:
        return names
    _exchanged(names, a, b)
    if _fits(a * [1, -1], b) <= MARK_MISFIT_MM:
        raise InputError(
            "datum marks",
            "lie mirrored to the recorded ones",
            hint="Is this the other shoe, or a mirrored picture?",
        )
    if not _all_but_one(a, b) and not _all_but_one(*_with(a, b, others)):
        raise InputError(
            "datum marks", "are not the recorded ones", value=f"residual {rigid_fit(a, b, 0.1).residual_mm:.1f} mm",
            allowed=f"up to {MARK_MISFIT_MM:g} mm", hint="Pick each mark again; is this the same shoe?",
        )  # fmt: skip
    return names


def off_line_mm(places: Floats) -> float:
    """Largest distance of (n, 2) marks from the straight line that fits them best."""
    away = places - places.mean(axis=0)
    across = np.linalg.svd(away)[2][1]
    return float(np.max(np.abs(away @ across)))


def _places(marks: Marks, names: Sequence[str]) -> Floats:
    return np.array([marks[name].xz for name in names])


def _fits(a: Floats, b: Floats) -> float:
    """Rms misfit of a rigid motion, mm; infinite when it would turn farther than a cleat can."""
    motion = rigid_fit(a, b, 0.1)
    return motion.residual_mm if abs(motion.turn_deg) <= MOST_TURN_DEG else np.inf


def _best_order(a: Floats, b: Floats) -> tuple[float, tuple[int, ...]]:
    """Misfit and order of b that fits a best."""
    return min((_fits(a, b[list(o)]), o) for o in itertools.permutations(range(len(b)), len(a)))


def _exchanged(names: tuple[str, ...], a: Floats, b: Floats) -> None:
    if len(names) > MOST_TRIED:
        return
    misfit, order = _best_order(a, b)
    as_named = min(_fits(a, b), 1e3)
    if misfit <= MARK_MISFIT_MM and misfit < as_named / 3:
        moved = [f"{names[i]} is the recorded {names[k]}" for k, i in enumerate(order) if i != k]
        raise InputError(
            "datum marks", f"look exchanged ({', '.join(moved)})",
            value=f"residual {rigid_fit(a, b, 0.1).residual_mm:.1f} mm", hint="Name them as recorded.",
        )  # fmt: skip


def _named_differently(recorded: Marks, now: Marks, common: tuple[str, ...]) -> None:
    """InputError when enough marks were picked both times, but under names that are not shared."""
    was, are = sorted(recorded), sorted(now)
    fewer = min(len(was), len(are))
    if fewer < 3 or max(len(was), len(are)) > MOST_TRIED:
        return
    a, b = _places(recorded, was), _places(now, are)
    if len(a) > len(b):
        misfit, order = _best_order(b, a)
        pairs = [(are[k], was[i]) for k, i in enumerate(order)]
    else:
        misfit, order = _best_order(a, b)
        pairs = [(are[i], was[k]) for k, i in enumerate(order)]
    shared = ", ".join(common) or "none"
    if misfit <= MARK_MISFIT_MM:
        said = ", ".join(f"{new} is the recorded {old}" for new, old in pairs if new != old)
        raise InputError(
            "datum marks",
            f"are named differently ({said})",
            value=f"shared names: {shared}",
            hint="Name them as recorded.",
        )
    raise InputError(
        "datum marks", f"share too few names ({shared}) and do not fit under others", allowed="the recorded marks",
        hint="Pick each mark again; is this the same shoe?",
    )  # fmt: skip


def _with(a: Floats, b: Floats, others: Sequence[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    if not others:
        return a, b
    return np.vstack([a, *(was[None] for was, _ in others)]), np.vstack(
        [b, *(now[None] for _, now in others)]
    )


def _all_but_one(a: Floats, b: Floats) -> bool:
    """Whether leaving one of at least four points out makes the others fit."""
    if len(a) < 4:
        return False
    return any(_fits(np.delete(a, i, 0), np.delete(b, i, 0)) <= MARK_MISFIT_MM for i in range(len(a)))
