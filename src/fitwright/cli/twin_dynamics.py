"""`fitwright twin dynamics`: joint moments and powers of one leg, where the pedal's force is known."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from fitwright.cli.output import emit, read_json, reports_errors
from fitwright.errors import InputError
from fitwright.linkage.dynamics import JOINTS, LegLoads, inverse_dynamics
from fitwright.linkage.loads_read import Case, case_from
from fitwright.quantity import Floats, listed

MOST_INPUT = 50_000_000
POSITIVE = {"hip": "flexion", "knee": "flexion", "ankle": "plantar-flexion"}


@reports_errors
def dynamics(
    force: Annotated[
        Path | None,
        typer.Option("--force", help="CSV of the pedal's force; else in the JSON.", dir_okay=False),
    ] = None,
    ride: Annotated[
        Path | None, typer.Option("--ride", help="JSON of ride analyse; else in the JSON.", dir_okay=False)
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON with all curves.")] = False,
) -> None:
    """Read a leg's motion and the pedal's force; print joint moments, powers and whether the energy adds up.

    Standard input is {"mass_kg": 72, "segments": "de_leva_male", "foot_length_mm": 270} with one motion:
    "twin" (as for `twin solve`) and "cadence_rpm"; or "ride" (what `ride analyse --json` wrote); or "points" over
    time. The force has columns crank_deg with pedal_x_n, pedal_y_n (foot on pedal, x forward, y up), or
    pedal_tangential_n, pedal_radial_n, or foot_x_n, foot_y_n (pedal on foot).

    Net moments of whole joints in the plane of the film; nothing is said about the load of a tissue.

    Example: fitwright twin dynamics --force pedal.csv --json < leg.json
    """
    data = read_json("a JSON object with mass_kg, segments and a motion", MOST_INPUT)
    if ride is not None:
        if "ride" in data:
            raise InputError("ride", "is given twice", allowed="either in the JSON or as --ride")
        data["ride"] = read_json("what ride analyse --json writes", MOST_INPUT, ride)
    case = case_from(data, None if force is None else _text_of(force))
    loads = inverse_dynamics(case.motion, case.load, case.mass_kg, case.family)
    told = loads_json(case, loads)
    emit(told, as_json, lambda: _text(told))


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("force", f"{path.name} is not text", allowed="CSV in UTF-8") from error


def loads_json(case: Case, loads: LegLoads) -> dict[str, Any]:
    """Curves and extremes by joint, and the energy check: means over what was given, in W."""
    joints = {name: getattr(loads, name) for name in JOINTS}
    mean = {name: float(np.mean(j.power_w)) for name, j in joints.items()}
    pedal, hip = float(np.mean(loads.pedal_w)), float(np.mean(loads.through_hip_w))
    return {
        "segments": {"key": loads.family, "source": case.family.source}, "mass_kg": case.mass_kg, "by": case.by,
        "at": listed(case.at, 4),
        "joints": {
            name: {
                "positive": POSITIVE[name],
                "moment_nm": _summary(case, j.moment_nm), "power_w": _summary(case, j.power_w),
                "moment_curve_nm": listed(j.moment_nm, 3), "power_curve_w": listed(j.power_w, 3),
            }
            for name, j in joints.items()
        },
        "energy": {
            "joints_w": sum(mean.values()), "through_hip_w": hip, "pedal_w": pedal,
            "stored_w": sum(mean.values()) + hip - pedal + float(np.mean(loads.unbalanced_w)),
            "greatest_unbalanced_w": float(np.abs(loads.unbalanced_w).max()),
        },
    }  # fmt: skip


def _summary(case: Case, values: Floats) -> dict[str, float]:
    low, high = int(np.argmin(values)), int(np.argmax(values))
    return {
        "min": float(values[low]), "min_at": float(case.at[low]), "max": float(values[high]),
        "max_at": float(case.at[high]), "mean": float(np.mean(values)),
    }  # fmt: skip


def _text(told: dict[str, Any]) -> str:
    unit = "°" if told["by"] == "crank_deg" else " s"
    lines = [f"Segments: {told['segments']['source']}; {told['mass_kg']:g} kg", ""]
    for name, joint in told["joints"].items():
        m, p = joint["moment_nm"], joint["power_w"]
        lines.append(
            f"{name:<6} {joint['positive']:>15} moment {m['min']:7.1f} Nm at {m['min_at']:g}{unit} to "
            f"{m['max']:6.1f} Nm at {m['max_at']:g}{unit}; power {p['mean']:6.1f} W mean, {p['max']:6.1f} W greatest"
        )
    e = told["energy"]
    return "\n".join([
        *lines, "",
        f"Energy: joints {e['joints_w']:.1f} W + through the hip {e['through_hip_w']:.1f} W"
        f" = pedal {e['pedal_w']:.1f} W + stored {e['stored_w']:.1f} W;"
        f" at no moment more than {e['greatest_unbalanced_w']:.2g} W unexplained",
    ]).replace("-", "−")  # fmt: skip
