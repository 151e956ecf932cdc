"""C3D: the binary format of motion laboratories, in and out.

Bytes are read and written by `c3d`, which is Python alone: a damaged file cannot bring the process down with it. Only
points are read. Modelled outputs that some programs store among the points (angles, forces, moments, powers, scalars)
are named in parameters of the POINT group and are left out: they are not places.
"""

from __future__ import annotations

import io
import textwrap
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import c3d
import numpy as np

from fitwright.errors import InputError
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats
from fitwright.vision.marker_files import MarkerFile, as_seen, check_size, recorded, scale_to_mm

MAX_BYTES = 256 * 1024 * 1024
KEY = 0x50  # second byte of every C3D file
NO_PLACES = ("ANGLES", "FORCES", "MOMENTS", "POWERS", "SCALARS")
MOST_FRAMES, MOST_POINTS = 65_534, 255  # counted in 16 and 8 bits
LONGEST_LABEL, LONGEST_TEXT = 60, 120


def is_c3d(path: Path) -> bool:
    """Whether the file says of itself that it is a C3D."""
    with path.open("rb") as file:
        head = file.read(2)
    return len(head) == 2 and head[1] == KEY and head[0] != 0


class _PointReader(c3d.Reader):  # type: ignore[misc]
    """The reader without scaling of analog channels, which are not wanted and on some files cannot be scaled."""

    def get_analog_transform(self) -> tuple[float, float]:
        return 1.0, 0.0


def read_c3d(path: Path) -> MarkerFile:
    """Read the points of a C3D file, mm, axes X, Y, Z as in the file.

    Raises:
        InputError: not a C3D, damaged, no points in it (analog channels only), unknown units, no frame rate.
    """
    check_size(path, MAX_BYTES)
    if not is_c3d(path):
        raise InputError(path.name, "is not a C3D file")
    try:
        with path.open("rb") as handle, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            file = _PointReader(handle)
            analog, first, stated = file.analog_used, int(file.first_frame), int(file.frame_count)
            rate = float(file.point_rate)
            point = {name: _texts(file, name) for name in ("LABELS", "UNITS", *NO_PLACES)}
            frames = [xyz[:, :4] for _, xyz, _ in file.read_frames()] if file.point_used else []
    except Exception as error:  # the library raises whatever a damaged byte leads it to
        words = " ".join(str(error).split())[:120] or type(error).__name__
        raise InputError(path.name, f"cannot be read as C3D: {words}", hint="Export it again") from error
    if len(frames) < 2:
        held = f"it holds {analog} analog channels only" if analog else "it holds none"
        raise InputError(
            path.name, f"has no marker positions: {held}", hint="Export the trajectories as well"
        )
    if not 5 <= rate <= 10_000:
        raise InputError(
            "RATE", f"{path.name} states no usable frame rate", value=rate, allowed="5 to 10000 per second"
        )
    notes: list[str] = []
    if stated > len(frames):
        notes.append(f"The file is cut off: {len(frames)} of {stated} frames are whole.")
    names, position = _places(np.array(frames, dtype=np.float64), point, path.name, notes)
    units = " ".join(point["UNITS"][:1])
    position = as_seen(position, path.name, notes)
    position *= scale_to_mm(units, position, path.name, notes)
    time = (max(first, 1) - 1 + np.arange(len(frames), dtype=np.float64)) / rate
    return MarkerFile(
        recorded(names, time, position, path.name),
        {"Units": units, "DataRate": f"{rate:g}"},
        rate,
        tuple(notes),
    )


def _places(
    frames: Floats, point: Mapping[str, list[str]], file: str, notes: list[str]
) -> tuple[list[str], Floats]:
    """Names and (T, P, 3) positions of what is a place, from frames (T, points, 4) whose last is the residual."""
    labels = _labels(point["LABELS"], frames.shape[1])
    modelled = {label for group in NO_PLACES for label in point[group]}
    keep = [i for i, label in enumerate(labels) if label not in modelled]
    if not keep:
        raise InputError(file, "has no marker positions: its points are modelled outputs only")
    if len(keep) < len(labels):
        notes.append(
            f"{len(labels) - len(keep)} modelled outputs (angles, forces and the like) were left out."
        )
    position = np.where(frames[..., 3:] < 0, np.nan, frames[..., :3])
    return [labels[i] for i in keep], position[:, keep]


def _texts(file: Any, name: str) -> list[str]:
    """All texts under a parameter of POINT and its continuations (LABELS, LABELS2, …)."""
    out: list[str] = []
    for key in (name, *(f"{name}{k}" for k in range(2, 40))):
        found = file.get(f"POINT:{key}")
        if found is None:
            break
        out += [str(t).strip("\0 ") for t in np.ravel(found.string_array)]
    return out


def _labels(said: Sequence[str], count: int) -> list[str]:
    """A name for each point; what has none, or one that stood before, is numbered."""
    out: list[str] = []
    for i, label in enumerate([*said, *[""] * count][:count]):
        name = label or f"point {i + 1}"
        out.append(name if name not in out else f"{name} ({i + 1})")
    return out


def write_c3d(
    traj: Trajectories, outputs: Mapping[str, tuple[str, Floats]], about: Mapping[str, str]
) -> bytes:
    """Points in mm and further outputs by name (unit, (T,) values) at a constant rate, as a C3D file.

    A point of two axes lies at 0 on the third. Outputs go in as points that POINT:ANGLES (degrees) or POINT:SCALARS
    names, their value in the first coordinate. `about` becomes the text parameters of the group FITWRIGHT.

    Raises:
        InputError: more frames or points than the format counts, or none.
    """
    count, names = traj.time_s.size, [n[:LONGEST_LABEL] for n in (*traj.names, *outputs)]
    for field, number, most in (("frames", count, MOST_FRAMES), ("points", len(names), MOST_POINTS)):
        if not 2 <= number <= most:
            raise InputError(field, "a C3D file cannot hold them", value=number, allowed=f"2 to {most}",
                             hint="Export as CSV")  # fmt: skip
    file = c3d.Writer(point_rate=1.0 / float(np.median(np.diff(traj.time_s))))
    for frame in _frames(traj, outputs):
        file.add_frames([(frame, np.zeros((0, 1)))])
    file.set_point_labels(names)
    point = file.point_group
    _add_texts(point, "DESCRIPTIONS", [*[_unmeasured(traj.axes)] * len(traj.names),
                                       *(f"first coordinate, {unit}" for unit, _ in outputs.values())])  # fmt: skip
    for group in ("ANGLES", "SCALARS"):
        listed = [
            n[:LONGEST_LABEL] for n, (unit, _) in outputs.items() if (unit == "deg") == (group == "ANGLES")
        ]
        if listed:
            _add_texts(point, group, listed)
            _add_texts(point, f"{group[:-1]}_UNITS", ["deg" if group == "ANGLES" else "mm"])
    own = file.get_create("FITWRIGHT")
    for key, text in about.items():
        plain = text.encode("ascii", "replace").decode()
        _add_texts(own, key.upper().replace(" ", "_")[:24], textwrap.wrap(plain, LONGEST_TEXT) or ["-"])
    out = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        file.write(out)
    return out.getvalue()


def _frames(traj: Trajectories, outputs: Mapping[str, tuple[str, Floats]]) -> Floats:
    """(T, points, 5): place, residual (−1 where not seen), cameras."""
    places, many = len(traj.names), len(traj.names) + len(outputs)
    out = np.zeros((traj.time_s.size, many, 5))
    for i, axis in enumerate(traj.axes):
        out[:, :places, "XYZ".index(axis)] = traj.position_mm[:, :, i]
    for k, (_, values) in enumerate(outputs.values()):
        out[:, places + k, 0] = values
    lost = ~np.isfinite(out[..., :3]).all(axis=2)
    out[lost] = (0.0, 0.0, 0.0, -1.0, 0.0)
    return out


def _unmeasured(axes: tuple[str, ...]) -> str:
    return "mm" + "".join(f", {a} not measured" for a in "XYZ" if a not in axes)


def _add_texts(group: Any, name: str, texts: Sequence[str]) -> None:
    longest = max(map(len, texts))
    group.add_str(name, "", "".join(t.ljust(longest) for t in texts), longest, len(texts))
