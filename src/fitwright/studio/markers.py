"""A recording with markers: read, name, analyse. The use case behind `fitwright ride import` and the Ride page."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.motion.ride import RideResult
from fitwright.motion.side import SideSystematic, analyse_side
from fitwright.motion.space import CLUSTER, NEEDED, SideAxle, SpaceResult, analyse_space
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats, Measured
from fitwright.vision.c3d_file import is_c3d, read_c3d
from fitwright.vision.csv_motion import ColumnMap, read_table
from fitwright.vision.marker_files import MarkerFile, read_trc

Progress = Callable[[float, str], None]

# Landmark → names in use for it, without the side; compared in lower case without signs.
LANDMARK_NAMES: dict[str, tuple[str, ...]] = {
    "greater_trochanter": ("gt", "troch", "trochanter", "greatertrochanter", "hip"),
    "lateral_femoral_condyle": ("lfc", "lfe", "lknee", "knee", "lateralknee", "lateralfemoralcondyle",
                                "lateralfemoralepicondyle", "lateralcondyle"),
    "medial_femoral_condyle": ("mfc", "mfe", "medialknee", "medialfemoralcondyle", "medialfemoralepicondyle"),
    "lateral_malleolus": ("lmal", "lm", "ankle", "lateralankle", "lateralmalleolus"),
    "medial_malleolus": ("mmal", "mm", "medialankle", "medialmalleolus"),
    "heel": ("cal", "heel", "hee", "calcaneus"),
    "toe": ("toe", "toetip", "hallux"),
    "fifth_metatarsal": ("mt5", "m5", "mth5", "fifthmetatarsal", "fifthmetatarsalhead"),
    "first_metatarsal": ("mt1", "m1", "mth1", "firstmetatarsal", "firstmetatarsalhead"),
    "acromion": ("acr", "acromion", "sho", "shoulder"),
    "elbow": ("lel", "elbow", "elb", "lateralelbow"),
    "wrist": ("dr", "wrist", "wri", "distalradius"),
    "asis": ("asi", "asis"),
    "pedal_axle": ("pedalaxle", "axle", "pedal", "pedalspindle"),
}  # fmt: skip
MIN_SEEN = 24  # frames; fewer are a ghost, not a marker
LANDMARK_OF = {name: landmark for landmark, names in LANDMARK_NAMES.items() for name in names}


@dataclass(frozen=True)
class MarkerResult:
    """What a marker recording gave.

    Attributes:
        ride: view "markers", both sides, without its trajectories: the file has them. trajectories: those, with pedal
            axle and sole line, by side. axles: side → pedal axle from the rigid foot. static_mm: distances in the
            static trial. checks: the same thing told other ways. notes: on files and motion.
    """

    ride: RideResult
    axles: Mapping[str, SideAxle]
    static_mm: Mapping[str, Measured]
    checks: Mapping[str, Any]
    notes: tuple[str, ...]
    trajectories: Mapping[str, Trajectories]

    def to_json(self) -> dict[str, Any]:
        """Quantity → side → event, with pedal axles and checks: the record's form."""
        ride = self.ride
        names = dict.fromkeys(q for quantities in ride.quantities.values() for q in quantities)
        by_quantity = {
            q: {s: {e: m.to_json() for e, m in qs[q].items()} for s, qs in ride.quantities.items() if q in qs}
            for q in names
        }
        whole = ride.to_json()
        return {
            "view": ride.view, "cadence_rpm": ride.cadence_rpm.to_json(), "cycles": dict(ride.cycles), **by_quantity,
            "pedal_axle": {s: {k: m.to_json() for k, m in a.numbers.items()} | {"foot_rigid_rms_mm": a.rigid_rms_mm}
                           for s, a in self.axles.items()},
            "static_mm": {k: m.to_json() for k, m in self.static_mm.items()}, "checks": dict(self.checks),
            "method": whole["method"], "quality": whole["quality"], "notes": list(self.notes),
            "curves": whole["curves"],
        }  # fmt: skip

    def contract_json(self) -> dict[str, Any]:
        """What `fitwright ride import --json` prints: the above and the ride's own form with its points over time, so
        that `ride export` reads it."""
        return self.to_json() | replace(self.ride, trajectories=self.trajectories).to_json()


def read_recording(path: Path, columns: ColumnMap | None = None) -> MarkerFile:
    """Read a marker file, told by what is in it: C3D, TRC, or a table whose columns are named by `columns`.

    Raises:
        InputError: none of these, or unreadable.
    """
    if columns is not None:
        return read_table(path, columns)
    if is_c3d(path):
        return read_c3d(path)
    with path.open("rb") as file:
        head = file.read(64).lstrip(b"\xef\xbb\xbf \r\n")
    if head.startswith(b"PathFileType"):
        return read_trc(path)
    raise InputError(
        path.name, "is not a TRC nor a C3D file", allowed=".trc, .c3d, or a table (.csv, .txt)",
        hint="Of a table say which column is which: at the Ride station, or with --map",
    )  # fmt: skip


def analyse_markers(
    recording: Path, static: Path | None = None, columns: ColumnMap | None = None, crank_mm: float | None = None,
    tell: Progress = lambda share, words: None,
) -> MarkerResult:  # fmt: skip
    """Analyse a marker recording of a rider on a bike; the static trial beside it is found by name.

    Args:
        columns: which column is which, of a table. crank_mm: needed only for a recording of two axes.

    Raises:
        InputError: files that cannot be read, wrong marker names, no turning crank, too few turns.
    """
    tell(0.0, "reading the recording")
    trial = read_recording(recording, columns)
    notes = list(trial.notes)
    if static is None:
        static = find_static(recording)
        notes.append(f"Static trial: {static.name}, found beside the recording." if static else
                     "No static trial beside the recording: M1 and the sole's own level are unknown.")  # fmt: skip
    named = seen_landmarks(named_landmarks(trial.trajectories, recording.name), notes)
    named, turned = rider_frame(named)
    notes += turned
    tell(0.4, "reading the turns")
    if named.axes == ("X", "Y"):
        return _flat(named, crank_mm, notes)
    rest = None
    if static is not None:
        still = read_recording(static, columns)
        notes += [f"Static trial: {n}" for n in still.notes]
        rest, _ = rider_frame(named_landmarks(still.trajectories, static.name, whole=False))
        notes += _marker_differences(named, rest)
    result: SpaceResult = analyse_space(named, rest)
    all_notes = tuple(notes) + result.ride.notes
    tell(1.0, "done")
    return MarkerResult(
        replace(result.ride, notes=all_notes, trajectories={}),
        result.axles,
        result.static_mm,
        result.checks,
        all_notes,
        result.ride.trajectories,
    )


def _flat(named: Trajectories, crank_mm: float | None, notes: list[str]) -> MarkerResult:
    """A recording of two axes, forward and up: read like a side film, one side of it."""
    sides = [s for s in ("right", "left") if f"pedal_axle_{s}" in named.names]
    if not sides:
        raise InputError(
            "pedal_axle", "is not in the recording; without a third axis the crank is told from it alone"
        )
    if crank_mm is None:
        raise InputError(
            "crank_mm", "is needed for a recording of two axes", hint="Enter the crank length first"
        )
    side = sides[0]
    own = [i for i, n in enumerate(named.names) if n.endswith(f"_{side}")]
    one = replace(
        named, names=tuple(named.names[i].removesuffix(f"_{side}") for i in own),
        position_mm=named.position_mm[:, own], u_mm=named.u_mm[:, own],
    )  # fmt: skip
    method = {"dimension": "2-D", "state": "dynamic", "landmarks": "markers as named in the file"}
    ride = analyse_side(one, side, crank_mm, SideSystematic(), method)
    every = (*notes, *ride.notes, "Only two axes: knee paths and foot yaw are unknown.")
    return MarkerResult(replace(ride, notes=every, trajectories={}), {}, {}, {}, every, ride.trajectories)


def find_static(recording: Path) -> Path | None:
    """The one file of its kind beside the recording with "static" in its name and the same first word, or None."""
    first = re.split(r"[_\-. ]", recording.stem)[0].lower()
    beside = [
        p for p in sorted(recording.parent.glob("*"))
        if recording.suffix and p.suffix.lower() == recording.suffix.lower() and p != recording
        and "static" in p.stem.lower() and re.split(r"[_\-. ]", p.stem)[0].lower() == first
    ]  # fmt: skip
    return beside[0] if len(beside) == 1 else None


def landmark_of(marker: str) -> str | None:
    """`greater_trochanter_left` for "lgt", "L_GT", "rider:LGT", "GT_L" …, or None when unknown."""
    plain = re.sub(r"[^a-z0-9]", "", marker.rsplit(":", 1)[-1].lower())
    for word, side in (("left", "left"), ("right", "right"), ("l", "left"), ("r", "right")):
        for rest in (plain.removeprefix(word), plain.removesuffix(word)):
            if rest != plain and rest in LANDMARK_OF:
                return f"{LANDMARK_OF[rest]}_{side}"
    return None


def named_landmarks(traj: Trajectories, file: str, whole: bool = True) -> Trajectories:
    """The known markers under our landmark names; others are left out.

    Raises:
        InputError: when `whole` and no side has what is needed: lists what is there and what is needed.
    """
    pairs = {i: name for i, marker in enumerate(traj.names) if (name := landmark_of(marker))}
    doubled = sorted({n for n in pairs.values() if list(pairs.values()).count(n) > 1})
    if doubled:
        both = [traj.names[i] for i, n in pairs.items() if n in doubled]
        raise InputError("marker names", f"two markers of {file} mean the same landmark", value=both)
    columns, names = list(pairs), tuple(pairs.values())
    missing = lacking(names)
    if whole and all(missing.values()):
        side = min(missing, key=lambda s: len(missing[s]))
        wanted = "; ".join(f"{n} ({side[0]}{LANDMARK_NAMES[n][0]})" for n in missing[side])
        raise InputError(
            "marker names", f"no side is whole in {file}; the {side} one lacks {wanted}", value=", ".join(traj.names),
            hint="Rename the markers; a pedal_axle marker may stand for the foot's three",
        )  # fmt: skip
    return replace(traj, names=names, position_mm=traj.position_mm[:, columns], u_mm=traj.u_mm[:, columns])


def lacking(names: Collection[str]) -> dict[str, list[str]]:
    """side → landmarks that this side would still need."""
    out = {}
    for s in ("left", "right"):
        needed = NEEDED if f"pedal_axle_{s}" in names else NEEDED + CLUSTER
        out[s] = [n for n in needed if f"{n}_{s}" not in names]
    return out


def seen_landmarks(traj: Trajectories, notes: list[str]) -> Trajectories:
    """Without the markers that are named but (nearly) never seen; says so, and which side is lost by it.

    Raises:
        InputError: no side is left.
    """
    seen = np.isfinite(traj.position_mm).all(axis=2).sum(axis=0)
    keep = [i for i, n in enumerate(seen) if n >= MIN_SEEN]
    never = [traj.names[i] for i, n in enumerate(seen) if n < MIN_SEEN]
    names = tuple(traj.names[i] for i in keep)
    if never:
        notes.append(f"Named but not seen: {', '.join(never)}.")
    lost = {s: lack for s, lack in lacking(names).items() if lack}
    if len(lost) == 2:
        raise InputError("markers", "no side is whole: " + ", ".join(never) + " are named but never seen")
    notes += [f"{s}: not analysed, for want of {', '.join(lack)}." for s, lack in lost.items()]
    return replace(traj, names=names, position_mm=traj.position_mm[:, keep], u_mm=traj.u_mm[:, keep])


def rider_frame(traj: Trajectories) -> tuple[Trajectories, list[str]]:
    """The recording in the bike frame (X forward, Y up, Z right), whatever the axes of the file are.

    Up is the axis along which the hip is furthest above the ankle, forward the other one that heel to toe follows.
    A recording of two axes is left as it is.
    """
    if traj.axes != ("X", "Y", "Z"):
        return traj, []
    mean = {n: np.nanmean(traj.position_mm[:, i], axis=0) for i, n in enumerate(traj.names)
            if np.isfinite(traj.position_mm[:, i]).any()}  # fmt: skip
    up = _main_axis(_from_to(mean, "lateral_malleolus", "greater_trochanter"), 1)
    forward = _main_axis(_from_to(mean, "heel", "toe"), 2 if abs(up[0]) else 0, without=up)
    turn = np.stack([forward, up, np.cross(forward, up)])
    notes = []
    if not np.array_equal(up, (0, 1, 0)):
        notes.append(f"{_axis_words(up)} points up in this file; turned so that Y does.")
    if forward[0] < 0 and up[0] == 0:
        notes.append("The rider faces −X in this file; turned round so that X points forward.")
    elif forward[0] == 0:
        notes.append(f"The rider faces {_axis_words(forward)} in this file; turned so that X points forward.")
    right, left = (mean.get(f"greater_trochanter_{s}") for s in ("right", "left"))
    if right is not None and left is not None and (turn @ (right - left))[2] < 0:
        notes.append("The right hip lies to the left of the left one: sides named the wrong way round, or axes of "
                     "the file that are left-handed?")  # fmt: skip
    return replace(traj, position_mm=traj.position_mm @ turn.T), notes


def _from_to(mean: Mapping[str, Floats], start: str, end: str) -> Floats | None:
    """The line between two landmarks of a side that has both."""
    for s in ("right", "left"):
        if f"{start}_{s}" in mean and f"{end}_{s}" in mean:
            return np.asarray(mean[f"{end}_{s}"] - mean[f"{start}_{s}"])
    return None


def _main_axis(line: Floats | None, usual: int, without: Floats | None = None) -> Floats:
    """The signed axis that the line follows most; the usual one without a line. `without`: an axis that it is not."""
    axis = np.zeros(3)
    if line is None:
        axis[usual] = 1.0
        return axis
    across = line if without is None else line * (without == 0)
    most = int(np.argmax(np.abs(across)))
    axis[most] = np.sign(across[most]) or 1.0
    return axis


def _axis_words(axis: Floats) -> str:
    at = int(np.argmax(np.abs(axis)))
    return ("−" if axis[at] < 0 else "") + "XYZ"[at]


def _marker_differences(trial: Trajectories, rest: Trajectories) -> list[str]:
    wanted = [
        f"{n}_{s}"
        for s in ("left", "right")
        if f"heel_{s}" in trial.names
        for n in (*CLUSTER, "first_metatarsal")
    ]
    absent = [n for n in wanted if n not in rest.names]
    return [f"The static trial lacks {', '.join(absent)}."] if absent else []
