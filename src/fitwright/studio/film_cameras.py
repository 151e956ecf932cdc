"""The cameras that film here, and how long the sensor of each takes to read all rows.

A film's camera is recognised by what its file says of it and by the mode it filmed in, picture and frame rate, since
the readout is another in each. What a hand states counts. Otherwise every film in which a stiff shoe told something
adds to it, and a later film of the same camera starts from what the others told; never from what it told itself.
Nothing is overwritten: each change is a new row.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from fitwright.errors import InputError
from fitwright.quantity import Measured, weighted_mean
from fitwright.records.media import path_of
from fitwright.records.models import HardwareItem, Medium
from fitwright.studio.entry import Field
from fitwright.vision.rolling_shutter import readout
from fitwright.vision.video import ClipInfo, probe

KIND = "film camera"
READOUT = Field("readout_ms", "Readout of the sensor", unit="ms", low=0, high=50)
SAYS = 0.999
"""A film has said something of the readout when its u is below this share of what was known before."""


@dataclass(frozen=True)
class FilmCamera:
    """A camera in one mode. `row`: as on record; `name`, size_px and fps: the mode; stated_ms: as typed, or None;
    told: digest of a film → (readout, u) in ms as that film alone has it."""

    row: HardwareItem | None
    name: str
    size_px: tuple[int, int]
    fps: int
    stated_ms: float | None = None
    told: Mapping[str, tuple[float, float]] | None = None

    @property
    def key(self) -> str:
        """Under which it is kept."""
        mode = f"{self.name}|{self.size_px[0]}x{self.size_px[1]}|{self.fps}"
        return hashlib.sha256(mode.encode()).hexdigest()[:40]

    @property
    def label(self) -> str:
        """Name and mode."""
        return f"{self.name}, {self.size_px[0]} × {self.size_px[1]} px, {self.fps} frames/s"

    def readout(self, but_of: str = "") -> Measured | None:
        """Its readout, s: as stated, else as its films have it together with what is usual; None when nobody knows.

        Args:
            but_of: digest of a film that is left out, because it is to tell by itself.
        """
        if self.stated_ms is not None:
            return readout(self.stated_ms)
        films = [
            Measured(v / 1e3, u / 1e3, "s") for sha, (v, u) in (self.told or {}).items() if sha != but_of
        ]
        if not films:
            return None
        usual, seen = readout(None), weighted_mean(films)
        w, v = 1 / usual.u**2, 1 / seen.u**2
        many = "one film" if len(films) == 1 else f"{len(films)} films"
        how = f"as {many} by this camera had it, together with what is usual"
        return Measured(max(0.0, (w * usual.value + v * seen.value) / (w + v)), (w + v) ** -0.5, "s", how)


def camera_of(info: ClipInfo) -> FilmCamera | None:
    """The camera of a film, known or new; None when the file does not name it."""
    if not info.camera:
        return None
    long, short = max(info.width_px, info.height_px), min(info.width_px, info.height_px)
    new = FilmCamera(None, info.camera, (long, short), round(info.fps))
    return next((c for c in known() if c.key == new.key), new)


def known() -> list[FilmCamera]:
    """Every camera that filmed here and is named by its films, newest first."""
    rows = HardwareItem.objects.current().filter(kind=KIND, retired=False).order_by("-pk")
    return [_from(row) for row in rows]


def readout_for(medium: Medium) -> Measured | float | None:
    """What is known of a film's readout before it is read: stated (ms), as its camera's other films have it (s), or
    None."""
    camera = _camera_behind(medium)
    if camera is None:
        return None
    return camera.stated_ms if camera.stated_ms is not None else camera.readout(but_of=medium.sha256)


def learn(medium: Medium, facts: Mapping[str, Any], before: Measured | float | None) -> None:
    """Remember the camera of a film that was read, and what the film told of the readout.

    Args:
        facts: of the camera, as the reading tells them. before: what it started from (as `readout_for` gave it).
    """
    camera = _camera_behind(medium)
    if camera is None:
        return
    stated = before is not None and not isinstance(before, Measured)
    alone = None if stated else _alone(facts, readout(before))
    told = dict(camera.told or {}) | ({medium.sha256: alone} if alone else {})
    if camera.row is None or told != (camera.told or {}):
        _keep(camera, camera.stated_ms, told)


def state(key: str, readout_ms: float | None, author: str = "") -> None:
    """Type the readout of a known camera, or None to go by its films again."""
    for camera in known():
        if camera.key == key:
            _keep(camera, readout_ms, camera.told or {}, author)


def _alone(facts: Mapping[str, Any], before: Measured) -> tuple[float, float] | None:
    """(readout, u) in ms as a film has it without what was known before; None when it told nothing.

    Precisions add: what the film alone knows is what is left of the result's when that of the start is taken off.
    """
    value, u = facts.get("readout_s"), facts.get("readout_u_s")
    if value is None or u is None or u >= SAYS * before.u:
        return None
    precision = 1 / u**2 - 1 / before.u**2
    own = (value / u**2 - before.value / before.u**2) / precision
    return round(1e3 * own, 3), round(1e3 * precision**-0.5, 3)


def _keep(
    camera: FilmCamera, stated_ms: float | None, told: Mapping[str, tuple[float, float]], author: str = ""
) -> None:
    data = {
        "name": camera.name, "size_px": list(camera.size_px), "fps": camera.fps, "stated_ms": stated_ms,
        "told": {sha: list(v) for sha, v in told.items()},
    }  # fmt: skip
    HardwareItem.objects.create(
        kind=KIND, key=camera.key, label=camera.label[:120], data=data, author=author, replaces=camera.row
    )


def _from(row: HardwareItem) -> FilmCamera:
    data = row.data
    told = {sha: (float(v), float(u)) for sha, (v, u) in data["told"].items()}
    return FilmCamera(
        row, data["name"], (data["size_px"][0], data["size_px"][1]), data["fps"], data["stated_ms"], told
    )


def _camera_behind(medium: Medium) -> FilmCamera | None:
    """None as well when the film is not there any more."""
    try:
        return camera_of(_info(str(path_of(medium))))
    except InputError:
        return None


@lru_cache(maxsize=256)
def _info(path: str) -> ClipInfo:
    return probe(Path(path))
