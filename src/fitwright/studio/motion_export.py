"""A ride leaves in open formats: points and angles by time, or curves by crank angle, with what they mean."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from fitwright import __version__
from fitwright.errors import InputError
from fitwright.given import read_json
from fitwright.motion.over_time import MotionTable, cycle_table, even_steps, motion_table
from fitwright.motion.ride import RideResult
from fitwright.records.models import Visit
from fitwright.studio.film import ORIGINS as MARKED_FROM
from fitwright.studio.point_origins import Origin, in_header
from fitwright.studio.recording import ride_with_points
from fitwright.studio.ride import rides_by_label
from fitwright.studio.visits import analysis
from fitwright.vision.c3d_file import write_c3d
from fitwright.vision.motion_files import write_csv, write_parquet

FORMATS = {"csv": "CSV (text)", "c3d": "C3D", "parquet": "Parquet"}
BY = ("time", "crank")
FRAME = "X forward, Y up, Z to the rider's right (Wu and Cavanagh 1995)"
ORIGINS = {
    "side": "bottom bracket axis", "front": "bottom bracket axis, mid-plane", "markers": "as in the recording",
}  # fmt: skip


def export(
    ride: RideResult, kind: str, by: str = "time", smooth: bool = True, about: Mapping[str, str] | None = None
) -> bytes:
    """One ride as a file.

    Args:
        kind: "csv", "c3d" or "parquet". by: "time", or "crank" for the mean turn (not as C3D).
        smooth: whether the points are smoothed; angles always come from smoothed ones. about: where it came from.

    Raises:
        InputError: unknown kind, no points on record, Parquet not installed.
    """
    if kind not in FORMATS:
        raise InputError("format", "unknown", value=kind, allowed=", ".join(FORMATS))
    if by not in BY:
        raise InputError("by", "unknown", value=by, allowed=", ".join(BY))
    head = {"written by": f"Fitwright {__version__}", **(about or {}), **_about(ride)}
    if by == "crank":
        if kind == "c3d":
            raise InputError("format", "a C3D file goes by time", value=kind, allowed="csv, parquet")
        head["rows"] = (
            "mean turn of the crank, 1 degree each; sd between turns; u = standard uncertainty of the mean"
        )
        return (write_csv if kind == "csv" else write_parquet)(cycle_table(ride), head)
    table = motion_table(ride, smooth)
    if kind == "c3d":
        even = even_steps(table)
        head |= _about_points(even)
        outputs = {c.name: (c.unit, c.values) for c in even.angles}
        return write_c3d(even.trajectories, outputs, head)
    head |= _about_points(table)
    return (write_csv if kind == "csv" else write_parquet)(table.channels(), head)


def _about(ride: RideResult) -> dict[str, str]:
    cadence = ride.cadence_rpm
    return {
        "view": ride.view, "dimension": str(ride.method.get("dimension", "")),
        "landmarks": str(ride.method.get("landmarks", "")), "frame": FRAME, "origin": ORIGINS.get(ride.view, ""),
        "units": "mm, deg, s", "cadence": f"{cadence.value:.3f} rpm, u {cadence.u:.3f} rpm",
        "whole turns": ", ".join(f"{n} {s}" for s, n in ride.cycles.items()),
        **({"guessed and not confirmed": ", ".join(ride.guessed)} if ride.guessed else {}), **_about_marks(ride),
    }  # fmt: skip


def _about_marks(ride: RideResult) -> dict[str, str]:
    """Where each marked point came from, of a film that has it on record."""
    kept = {n: Origin.from_json(o) for n, o in ride.quality.get(MARKED_FROM, {}).items()}
    return {"points marked": in_header(kept)} if kept else {}


def _about_points(table: MotionTable) -> dict[str, str]:
    """Sample rate, smoothing, and how sure a point is in one frame."""
    cut = ", ".join(
        f"{n} {f['cutoff_hz']:.1f}" for n, f in table.smoothing.items() if f["cutoff_hz"] is not None
    )
    seen = table.trajectories.u_mm[np.isfinite(table.trajectories.u_mm)]
    return {
        "rate": f"{table.rate_hz:.6g} Hz (median step; the time column holds)",
        "points": "smoothed, gaps up to 0.1 s bridged" if table.smoothed else "as seen, not smoothed",
        "angles": "from smoothed points", "filter": "Butterworth, second order, forward and backward",
        "cut-off hz": cut or "none",
        "u of a point in one frame": f"{np.median(seen):.3f} mm" if seen.size else "unknown",
    }  # fmt: skip


def labels(visit: Visit) -> tuple[str, ...]:
    """Rides of a visit that can be exported, e.g. "side right before", "markers"."""
    return tuple(rides_by_label(visit))


def export_visit(visit: Visit, label: str, kind: str, by: str = "time", smooth: bool = True) -> bytes:
    """One ride of a visit as a file; its provenance is the film or recording by digest."""
    known = labels(visit)
    if label not in known:
        raise InputError("ride", "there is none of that name" if label else "say which", value=label or None,
                         allowed=", ".join(known) or "none yet")  # fmt: skip
    ride = ride_with_points(visit, label) if by == "time" else rides_by_label(visit)[label]
    row = analysis(visit, "ride", label)
    about = {"visit": str(visit.pk), "ride": label}
    if row is not None:
        about |= {"analysed": f"{row.created_at:%Y-%m-%d %H:%M} UTC by version {row.program_version}"}
        if row.medium is not None:
            about |= {"source": row.medium.name, "source sha256": row.medium.sha256}
    if visit.simulated:
        about["simulated"] = "yes: drawn by the program, no person was filmed"
    return export(ride, kind, by, smooth, about)


def ride_in(path: Path) -> RideResult:
    """A ride from the file that `fitwright ride analyse --json` or `ride import --json` wrote."""
    held = read_json("ride", path)
    try:
        return RideResult.from_json(held)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError("ride", f"{path.name} is not the result of a ride",
                         hint="Give what ride analyse --json or ride import --json wrote") from error  # fmt: skip


def file_name(visit_pk: int, label: str, kind: str, by: str) -> str:
    """`visit-3-side-right-before.csv`."""
    return f"visit-{visit_pk}-{label.replace(' ', '-')}{'-turn' if by == 'crank' else ''}.{kind}"
