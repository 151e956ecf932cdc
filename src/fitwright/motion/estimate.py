"""A ride some of whose points were guessed by a network and confirmed by nobody.

What hangs from such a point is an estimate: it says so wherever it is printed, and nothing is done about it. A joint
angle gets ± 12° at least. Networks against markers on 26 cyclists were off by 4-8° at hip and knee and by 15-22° at
the ankle (Bini 2023, 10.1080/02640414.2023.2194725); on walking footage with several calibrated cameras we saw
5.8-7.0° RMS at the knee against the cameras' consensus, 95 % within 12-14°, and an error that all cameras share does
not show there. The angle's own figure is used, not that of its points: much of their error is common to a limb and
does not bend it. What hangs from a guessed foot is not told at all.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np

from fitwright.errors import InputError
from fitwright.motion.angles import joint_angles
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.motion.side import COORDINATES
from fitwright.quantity import Z95, Measured

U_POINT_MM: Mapping[str, float] = {
    "greater_trochanter": 25.0, "lateral_femoral_condyle": 25.0, "lateral_malleolus": 35.0, "heel": 35.0,
    "fifth_metatarsal": 35.0,
}  # fmt: skip
"""The points that a network may guess, and the least standard uncertainty of each per direction (from 4-8° over a
thigh or shank of 0.42 m, and the larger error at the foot; our rounding)."""
HALF_WIDTH_DEG = 12.0
FOOT = ("lateral_malleolus", "heel", "fifth_metatarsal")
FOOT_QUANTITIES = ("ankle_plantarflexion", "sole_pitch", "axle_ahead_of_m5", "axle_under_foot")
"""What a guessed foot does not tell."""
_ALL = ("acromion", "elbow", "wrist", *U_POINT_MM)


def hanging_from(guessed: Collection[str]) -> frozenset[str]:
    """Names of the angles that cannot be told without these points."""
    places = {name: np.array([float(i), float(i * i)]) for i, name in enumerate(_ALL)}
    rest = {name: xy for name, xy in places.items() if name not in guessed}
    return frozenset(joint_angles(places).keys() - joint_angles(rest).keys())


def as_estimates(ride: RideResult, guessed: Collection[str]) -> RideResult:
    """The ride with everything that hangs from these points called an estimate, or left out where they are feet."""
    names = tuple(n for n in U_POINT_MM if n in guessed)
    if not names:
        return ride
    hanging = hanging_from(names)
    untold = FOOT_QUANTITIES if any(n in FOOT for n in names) else ()
    moved = {COORDINATES[n]: U_POINT_MM[n] for n in names}
    quantities = {
        side: {
            q: {e: _told(m) if _plain(q) in hanging else m for e, m in events.items()}
            for q, events in of_side.items() if _plain(q) not in untold
        }
        for side, of_side in ride.quantities.items()
    }  # fmt: skip
    curves = {
        side: {n: _drawn(c, hanging, moved) for n, c in of_side.items() if n not in untold}
        for side, of_side in ride.curves.items()
    }
    return replace(ride, quantities=quantities, curves=curves, guessed=names,
                   notes=(_words(names, bool(untold)), *ride.notes))  # fmt: skip


def refuse_guesses(ride: RideResult, which: str = "") -> None:
    """Raise InputError when points of the ride were guessed and nobody confirmed them; `which`: one of two rides."""
    if ride.guessed:
        raise InputError("ride", f"{which}hangs from points that were guessed and that nobody confirmed",
                         value=", ".join(ride.guessed),
                         hint="Confirm them where the points are marked, then follow the film again")  # fmt: skip


def _plain(quantity: str) -> str:
    return quantity.removesuffix("_deg")


def _told(value: Measured) -> Measured:
    return replace(value, u=max(value.u, HALF_WIDTH_DEG / Z95), estimate=True)


def _drawn(curve: CycleCurve, hanging: Collection[str], moved: Mapping[str, float]) -> CycleCurve:
    """A joint's curve or a guessed point's coordinate with its uncertainty; any other as it is."""
    least = HALF_WIDTH_DEG / Z95 if curve.name in hanging else moved.get(curve.name.rpartition("_")[0])
    return curve if least is None else replace(curve, u=np.maximum(curve.u, least), estimate=True)


def _words(names: Collection[str], foot: bool) -> str:
    untold = " Ankle and sole are not told from a guessed foot (networks are 15-22° off there, Bini 2023)."
    return (
        f"Guessed and not confirmed by hand: {', '.join(names)}. What hangs from them is an estimate, described "
        f"only: no plan acts on it.{untold if foot else ''} Confirm them where the points are marked, then follow "
        "the film again; or put them right in the film, which confirms them."
    )
