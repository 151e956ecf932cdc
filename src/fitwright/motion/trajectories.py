"""Named points over time: the one shape in which film and marker files hand motion on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.quantity import Floats, listed


@dataclass(frozen=True)
class Trajectories:
    """Positions of named points over time, in a frame of `docs/nomenclature.md`.

    Attributes:
        names: (P,) landmark names, snake_case, e.g. "greater_trochanter", "knee_left"; a side suffix
            `_left`/`_right` is used where both sides occur.
        time_s: (T,) strictly increasing true time stamps, s. Never frame index / rate.
        position_mm: (T, P, D) positions in mm; NaN where a point was not seen.
        u_mm: (T, P, D) standard uncertainty of each coordinate, mm; NaN where not seen. Random, frame by
            frame; systematic parts (scale, landmark placement) are added by whoever forms a quantity.
        axes: (D,) which axes of the bike frame the last dimension holds: ("X", "Y") side view, ("Z", "Y") front
            view, ("X", "Y", "Z") marker files. X forward, Y up, Z to the rider's right.
        source: file or medium the motion came from.
    """

    names: tuple[str, ...]
    time_s: Floats
    position_mm: Floats
    u_mm: Floats
    axes: tuple[str, ...]
    source: str = ""

    def __post_init__(self) -> None:
        expected = (self.time_s.size, len(self.names), len(self.axes))
        if self.position_mm.shape != expected or self.u_mm.shape != expected:
            raise ValueError(f"positions {self.position_mm.shape} and u {self.u_mm.shape} must be {expected}")
        if self.time_s.size > 1 and not np.all(np.diff(self.time_s) > 0):
            raise ValueError("time stamps must increase")

    def point(self, name: str, *axes: str) -> Floats:
        """(T, len(axes)) positions of one point, in the order of the named axes (all axes when none given)."""
        columns = [self.axes.index(a) for a in (axes or self.axes)]
        return self.position_mm[:, self.names.index(name)][:, columns]

    def has(self, *names: str) -> bool:
        """Whether every one of these points is present."""
        return all(n in self.names for n in names)

    def to_json(self) -> dict[str, Any]:
        """Plain data to 0.001 mm and 1e-5 s, null where not seen; `u` is the RMS over the axes."""
        u = np.sqrt(np.mean(self.u_mm**2, axis=2))
        return {
            "axes": list(self.axes), "source": self.source, "time_s": [round(t, 5) for t in self.time_s.tolist()],
            "points": {
                name: {a: listed(self.position_mm[:, i, k], 3) for k, a in enumerate(self.axes)}
                | {"u": listed(u[:, i], 3)}
                for i, name in enumerate(self.names)
            },
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Trajectories:
        """The inverse of `to_json`."""

        def unpack(x: list[float | None]) -> list[float]:
            return [np.nan if v is None else v for v in x]

        axes, points = tuple(data["axes"]), data["points"]
        time = np.array(data["time_s"], dtype=np.float64)
        position = np.array([[unpack(p[a]) for a in axes] for p in points.values()], dtype=np.float64)
        u = np.array([[unpack(p["u"])] * len(axes) for p in points.values()], dtype=np.float64)
        return Trajectories(
            tuple(points), time, position.transpose(2, 0, 1), u.transpose(2, 0, 1), axes, data["source"]
        )
