"""`fitwright ride`: what the body does on the bike, from film or marker files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitwright.cli.output import emit, reports_errors
from fitwright.cli.ride_analyse import analyse
from fitwright.cli.ride_export import columns_in, export
from fitwright.cli.ride_guess import guess
from fitwright.cli.ride_still import still
from fitwright.quantity import Measured, format_pm

app = typer.Typer(no_args_is_help=True, help="What the body does on the bike, from film or marker files.")
app.command("analyse")(analyse)
app.command("export")(export)
app.command("guess")(guess)
app.command("still")(still)

ROWS = (
    ("knee flexion", "knee_flexion_deg", ("min", "max", "bdc")),
    ("knee flexion, side plane", "knee_flexion_2d_deg", ("min", "max")),
    ("hip flexion", "hip_flexion_deg", ("min", "max")),
    ("ankle plantar-flexion", "ankle_plantarflexion_deg", ("min", "max")),
    ("sole pitch, heel up", "sole_pitch_deg", ("mean", "range")),
    ("foot yaw, toe out", "foot_yaw_deg", ("mean",)),
    ("trunk to level", "trunk_inclination_deg", ("mean",)),
    ("knee beside pedal", "knee_path_mm", ("top", "q90", "range")),
    ("knee to hip–foot line", "knee_to_line_mm", ("top", "range")),
)
AXLE_ROWS = (
    ("crank radius", "crank_radius_mm"),
    ("axle ahead of M5", "ahead_of_m5_mm"),
    ("axle ahead of M1", "ahead_of_m1_mm"),
    ("axle below M5", "below_m5_mm"),
    ("λ: 0 under M1, 1 under M5", "lambda"),
    ("residual", "residual_sd_mm"),
)
EVENT_WORDS = {"bdc": "at BDC", "q90": "at 90°", "top": "at TDC"}


@app.callback()
def group() -> None:
    """Keep `import` a named command even while it is the only one."""


@app.command("import")
@reports_errors
def import_markers(
    recording: Annotated[
        Path, typer.Argument(help="Marker recording of the ride: TRC, C3D or a table.", show_default=False)
    ],
    static: Annotated[
        Path | None,
        typer.Option(help="Static trial of the same rider; else looked for beside the recording."),
    ] = None,
    columns: Annotated[
        Path | None, typer.Option("--map", help="For a table: JSON that says which column is which.")
    ] = None,
    crank_mm: Annotated[
        float | None, typer.Option(help="Crank length, mm; only for a table of two axes.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, cycle curves included.")] = False,
) -> None:
    """Joint angles, knee paths and the pedal axle under the foot, from a marker recording.

    Example: fitwright ride import rider_90rpm.trc --static rider_static.trc
    """
    from fitwright.studio.markers import analyse_markers

    result = analyse_markers(recording, static, columns_in(columns), crank_mm)
    emit(result.contract_json(), as_json, lambda: _text(recording.name, result))


def _text(name: str, result) -> str:  # type: ignore[no-untyped-def]  # imported late: it pulls in scipy
    ride = result.ride
    sides = list(ride.quantities)
    turns = ", ".join(f"{n} {s}" for s, n in ride.cycles.items())
    lines = [f"{name}: {ride.cadence_rpm}, whole turns: {turns}. Values ± 95 %.", ""]
    lines.append(_row("", sides))
    for label, quantity, events in ROWS:
        for event in events:
            values = [ride.value(s, quantity, event) for s in sides]
            if any(values):
                lines.append(_row(f"{label}, {EVENT_WORDS.get(event, event)}", [_cell(v) for v in values]))
    if result.axles:
        lines += ["", "Pedal axle, from the rigid foot (axes of the static trial)"]
        for label, key in AXLE_ROWS:
            values = [result.axles[s].numbers.get(key) if s in result.axles else None for s in sides]
            if any(values):
                lines.append(_row(label, [_cell(v) for v in values]))
    return "\n".join(lines + ([""] if result.notes else []) + [f"Note: {n}" for n in result.notes])


def _row(label: str, cells: list[str]) -> str:
    return f"{label:<36}" + "".join(f"{c:>20}" for c in cells)


def _cell(value: Measured | None) -> str:
    if value is None:
        return "–"
    return f"{value.value:.2f} {value.unit}" if value.u == 0 else format_pm(value)
