"""Soles: the cleat's pose and its restoring, against rendered photographs whose truth is known (simulated)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from bench.measurement import Measurement, Row, seconds
from fitwright.demo.riders import RIDERS
from fitwright.demo.sole_photo import hand_points, render_sole
from fitwright.demo.truth import Truth
from fitwright.foot.remount import compare
from fitwright.foot.sole import SoleReading
from fitwright.quantity import Z95, Floats
from fitwright.studio.feet.measure import measure_sole
from fitwright.vision.picture import Picture, read_picture

FEET = ("left", "right")
CAMERAS = (301, 302)
"""Seeds: each gives another hand-held camera, other places of the strips and other noise."""
HANDS = 20
"""How often the points are picked anew in each photograph (0.7 px per coordinate)."""
MOVED = np.array([-1.6, 0.7, 1.4])
"""Between the first and the second photograph the cleat is moved by this: mm, mm, deg."""
NAMES = (("fore-aft", "mm"), ("lateral", "mm"), ("rotation", "deg"))


@dataclass(frozen=True)
class Photo:
    """A rendered photograph, read, with its truth."""

    picture: Picture
    truth: Truth
    foot: str

    @property
    def pose(self) -> Floats:
        """(3,) true x mm, z mm, ψ deg."""
        cleat = self.truth.data["cleat"]
        return np.array([cleat["x_c_mm"], cleat["z_c_mm"], cleat["psi_c_deg"]])

    def read(self, hand: int) -> SoleReading:
        """Measured as the page does, with the points of one simulated hand."""
        points = {n: (p[0], p[1]) for n, p in hand_points(self.truth, hand).items()}
        return measure_sole(self.picture, self.foot, points)


@lru_cache(maxsize=1)
def readings() -> tuple[tuple[Photo, tuple[SoleReading, ...]], ...]:
    """All photographs with the readings of each hand; per camera seed one before and one after moving the cleat."""
    out = []
    with TemporaryDirectory(prefix="fitwright-bench-") as folder:
        for key, rider in RIDERS.items():
            for foot in FEET:
                for k, seed in enumerate(CAMERAS):
                    pose = np.asarray(rider.setup.cleat(foot)) + k * MOVED
                    path = Path(folder) / f"{key}-{foot}-{seed}.jpg"
                    truth = render_sole(
                        rider, foot, (pose[0], pose[1], pose[2]), path, ("before", "after")[k], seed
                    )
                    photo = Photo(read_picture(path), truth, foot)
                    out.append((photo, tuple(photo.read(1000 * seed + h) for h in range(HANDS))))
    return tuple(out)


def accuracy() -> list[Row]:
    """Errors of the pose and of restoring it, and how often the stated intervals hold the truth."""
    photos = readings()
    errors, u = _errors()
    count = f"simulated: {len(photos)} photographs (2 riders, both feet, 2 hand-held cameras), {HANDS} times picked"
    rows: list[Row] = []
    for i, (name, unit) in enumerate(NAMES):
        limit = "≤ 0.5" if unit == "mm" else "≤ 0.3"
        rows.append(
            Row(
                f"cleat {name}, 95 % of errors below",
                _p95(errors[:, i]),
                unit,
                limit,
                count if i == 0 else "",
            )
        )
    for i, (name, _) in enumerate(NAMES):
        held = 100 * float(np.mean(np.abs(errors[:, i]) <= Z95 * u[:, i]))
        rows.append(Row(f"cleat {name}, intervals that hold the truth", held, "%", "90 to 100",
                        f"of {len(errors)}; median stated ± {Z95 * float(np.median(u[:, i])):.2f}"))  # fmt: skip
    rows.append(Row("cleat: RMS of error over u", float(np.sqrt(np.mean((errors / u) ** 2))), "", "≤ 1.2",
                    "u allows for 1 mm between sole and card, which lie truly in one plane here"))  # fmt: skip
    return rows + _restoring()


def _errors() -> tuple[Floats, Floats]:
    """(n, 3) errors and stated standard uncertainties of x mm, z mm, ψ deg."""
    errors, u = [], []
    for photo, told in readings():
        for reading in told:
            assert reading.cleat is not None
            errors.append(reading.cleat.vector - photo.pose)
            u.append(reading.cleat.u)
    return np.array(errors), np.array(u)


def _restoring() -> list[Row]:
    """The second photograph of each foot compared with the first: found shift and turn against the true ones."""
    errors, held = [], []
    photos = readings()
    for (_, first), (_, second) in zip(photos[::2], photos[1::2], strict=True):
        for recorded, now in zip(first, second, strict=True):
            found = compare(recorded, now)
            told = (found.x, found.z, found.psi)
            errors.append([m.value - true for m, true in zip(told, MOVED, strict=True)])
            held.append([abs(m.value - true) <= Z95 * m.u for m, true in zip(told, MOVED, strict=True)])
    e = np.array(errors)
    rows = [
        Row(f"moved {name} from two photographs, 95 % of errors below", _p95(e[:, i]), unit,
            "≤ 0.5" if unit == "mm" else "≤ 0.3",
            f"{len(e)} comparisons, picked by hand without snapping (0.7 px)" if i == 0 else "")
        for i, (name, unit) in enumerate(NAMES)
    ]  # fmt: skip
    return [
        *rows,
        Row("moved cleat: intervals that hold the truth", 100 * float(np.mean(held)), "%", "90 to 100"),
    ]


def speed() -> list[Row]:
    """One photograph from the picture in memory to the pose."""
    photo = readings()[0][0]
    return [Row("a sole photograph of 12 megapixels measured", seconds(lambda: photo.read(5), 3), "s", "≤ 3")]


def _p95(errors: Sequence[float] | Floats) -> float:
    return float(np.quantile(np.abs(errors), 0.95))


MEASUREMENTS = (
    Measurement("sole-accuracy", "Soles: cleat pose and restoring against the simulated truth", accuracy),
    Measurement("sole-speed", "Soles: time", speed),
)
