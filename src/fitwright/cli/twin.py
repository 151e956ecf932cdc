"""`fitwright twin`: the rider's twin: predict a pose from lengths and contact points."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from fitwright.bike.contact import ContactPoints
from fitwright.cli.output import emit, read_json, reports_errors
from fitwright.cli.twin_dynamics import dynamics
from fitwright.errors import InputError
from fitwright.linkage.derivatives import ADJUSTABLES, Rider, derivatives
from fitwright.linkage.frontal import first_frontal
from fitwright.linkage.leg import extremes, solve
from fitwright.linkage.read import leg_from_json
from fitwright.linkage.response import ResponseModel, expected_change
from fitwright.linkage.sensitivity import SAGITTAL, moved
from fitwright.linkage.twin import LegTwin
from fitwright.plan.adjustables import KINDS
from fitwright.quantity import format_pm

app = typer.Typer(
    no_args_is_help=True, help="The rider's twin: predict a pose from lengths and contact points."
)
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
MAX_INPUT = 1_000_000
app.command("dynamics")(dynamics)


@app.command("solve")
@reports_errors
def solve_twin(as_json: AsJson = False) -> None:
    """Read a JSON twin on standard input; print knee flexion over the turn.

    Lengths in mm, hip from the bottom bracket (x forward, y up), sole pitch as mean and harmonics in degrees:

    {"thigh_mm": 405, "shank_mm": 420, "axle_to_malleolus_x_mm": 125, "axle_to_malleolus_y_mm": 105,
    "crank_mm": 172.5, "hip_x_mm": -190, "hip_y_mm": 751,
    "pitch_deg": {"mean": 15, "cos": \\[-6, 0], "sin": \\[10.4, 0]}}

    Example: fitwright twin solve --json < twin.json
    """
    leg = leg_from_json(read_json("a JSON twin", MAX_INPUT))
    data = knee_json(leg)
    emit(data, as_json, lambda: _solve_text(data))


@app.command("whatif")
@reports_errors
def whatif_twin(
    changes: Annotated[list[str], typer.Option("--set", help="e.g. saddle_height=+5 (mm); may be repeated.")],
    as_json: AsJson = False,
) -> None:
    """Read a JSON twin with its "contact" points; print what changes do, rigid and expected.

    The twin is that of `twin solve` with "contact": {"saddle_height_mm": 705, "saddle_setback_mm": 200} in it.

    Example: fitwright twin whatif --set saddle_height=+5 --json < twin.json
    """
    data = read_json("a JSON twin", MAX_INPUT)
    raw = data.pop("contact", None)
    leg = leg_from_json(data)
    deltas = dict(parse_change(c) for c in changes)
    contact = contact_from_json(raw)
    after = moved(leg, contact, deltas)
    now, then = knee_json(leg)["knee_flexion_deg"], knee_json(after)["knee_flexion_deg"]
    out: dict[str, Any] = {"changes": deltas, "knee_flexion_deg": {}}
    for event in ("min", "max", "bdc"):
        effect = expected_change(leg, contact, deltas, "knee_flexion_deg", event, ResponseModel()).total
        out["knee_flexion_deg"][event] = {
            "now": now[event], "rigid_after": then[event], "expected_change": effect.to_json(),
        }  # fmt: skip
    emit(out, as_json, lambda: _whatif_text(leg, contact, deltas, out))


@app.command("slopes")
@reports_errors
def slopes_twin(as_json: AsJson = False) -> None:
    """Read a JSON twin with its "contact" points; print how fast angles and knee move with each part.

    Rigid twin, per mm (per degree for the cleat's rotation), the knee's path at a stance of no lean.

    Example: fitwright twin slopes --json < twin.json
    """
    data = read_json("a JSON twin", MAX_INPUT)
    contact = contact_from_json(data.pop("contact", None))
    leg = leg_from_json(data)
    rider = Rider(
        leg, contact, first_frontal(contact.pedal_out_mm("right"), behind_mm=leg.axle_to_malleolus_x_mm)
    )
    at = {"least_knee_flexion": round(extremes(leg).low_at_deg) % 360,
          "greatest_knee_flexion": round(extremes(leg).high_at_deg) % 360}  # fmt: skip
    found = {a: {q: v for q, v in derivatives(rider, a).items() if v.size == 360} for a in ADJUSTABLES}
    told = {
        a: {q: {n: round(float(v[t]), 5) for n, t in at.items()} for q, v in by.items()}
        for a, by in found.items() if by
    }  # fmt: skip
    out: dict[str, Any] = {"at_deg": at, "per_unit": told}
    emit(out, as_json, lambda: _slopes_text(out))


def knee_json(leg: LegTwin) -> dict[str, Any]:
    """`{"knee_flexion_deg": {"min", "max", "bdc", "min_at_deg", "max_at_deg", "curve"}}`, deg; curve at 1° steps."""
    e = extremes(leg)
    curve = [round(float(v), 4) for v in solve(leg).knee_flexion_deg]
    return {
        "knee_flexion_deg": {
            "min": round(e.low, 4), "max": round(e.high, 4), "bdc": round(e.bdc, 4),
            "min_at_deg": round(e.low_at_deg, 2), "max_at_deg": round(e.high_at_deg, 2), "curve": curve,
        }
    }  # fmt: skip


def parse_change(text: str) -> tuple[str, float]:
    """`saddle_height=+5` → ("saddle_height_mm", 5.0). InputError for anything else."""
    name, _, number = text.partition("=")
    name = name.strip() if name.strip().endswith("_mm") else f"{name.strip()}_mm"
    if name not in SAGITTAL:
        raise InputError("--set", "unknown adjustable", value=text, allowed=", ".join(SAGITTAL))
    try:
        value = float(number)
    except ValueError as error:
        raise InputError(
            "--set", "is not name=number", value=text, allowed="e.g. saddle_height=+5"
        ) from error
    kind = KINDS[name]
    if not kind.low <= value <= kind.high:
        raise InputError("--set", "the change is larger than the hardware's range", value=text,
                         allowed=f"{kind.low:g} to {kind.high:g} mm")  # fmt: skip
    return name, value


def contact_from_json(raw: object) -> ContactPoints:
    """Contact points for the saddle's direction; only saddle height and setback are needed."""
    if not isinstance(raw, dict):
        raise InputError(
            "contact", "is missing", allowed='{"saddle_height_mm": ..., "saddle_setback_mm": ...}'
        )
    usual: dict[str, Any] = {
        "hood_x_mm": 470, "hood_y_mm": 620, "crank_mm": 172.5, "q_factor_mm": 148, "pedal_offset_mm": 53,
    }  # fmt: skip
    for name in ("saddle_height_mm", "saddle_setback_mm"):
        if name not in raw:
            raise InputError(f"contact.{name}", "is missing", allowed="mm")
    try:
        return ContactPoints.from_json({**usual, **raw})
    except TypeError as error:
        raise InputError("contact", "has an unknown or non-numeric field", value=sorted(raw)) from error
    except (ValueError, OverflowError) as error:
        raise InputError("contact", f"is not a number ({error})") from error


def _solve_text(data: dict[str, Any]) -> str:
    k = data["knee_flexion_deg"]
    return (
        f"Knee flexion: least {k['min']:.2f}° at {k['min_at_deg']:.1f}° of crank, {k['bdc']:.2f}° at BDC, "
        f"greatest {k['max']:.2f}° at {k['max_at_deg']:.1f}°"
    )


def _slopes_text(out: dict[str, Any]) -> str:
    lines = [
        f"{'per mm or degree of':<22}{'knee, least':>14}{'knee, greatest':>16}{'knee outward of the pedal':>26}"
    ]
    for name, by in out["per_unit"].items():
        knee, path = by.get("knee_flexion_deg", {}), by["knee_path_mm"]
        cells = [f"{v:+.2f}°" for v in knee.values()] or ["", ""]
        lines.append(
            f"{name:<22}{cells[0]:>14}{cells[1]:>16}" + "".join(f"{v:+10.2f} mm" for v in path.values())
        )
    return "\n".join(lines).replace("-", "−")


def _whatif_text(leg: LegTwin, contact: ContactPoints, deltas: dict[str, float], out: dict[str, Any]) -> str:
    lines = [", ".join(f"{k} {v:+g} mm" for k, v in deltas.items())]
    for event, row in out["knee_flexion_deg"].items():
        effect = expected_change(leg, contact, deltas, "knee_flexion_deg", event, ResponseModel()).total
        lines.append(f"  knee flexion {event}: {row['now']:.1f}°, rigid {row['rigid_after']:.1f}°, "
                     f"expected change {format_pm(effect)}")  # fmt: skip
    return "\n".join(lines)
