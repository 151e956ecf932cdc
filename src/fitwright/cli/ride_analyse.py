"""`fitwright ride analyse`: a film of the ride in, joint angles or knee paths with their uncertainty out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from fitwright.cli.output import check_target, reports_errors, write_whole
from fitwright.cli.progress_line import progress_line
from fitwright.errors import InputError
from fitwright.given import read_json
from fitwright.quantity import Measured, format_pm

SIDE_ROWS = (
    ("knee flexion", "knee_flexion_deg", ("min", "max", "bdc")),
    ("hip flexion", "hip_flexion_deg", ("min", "max")),
    ("ankle plantar-flexion", "ankle_plantarflexion_deg", ("min", "max")),
    ("sole pitch, heel up", "sole_pitch_deg", ("mean", "range")),
    ("trunk to level", "trunk_inclination_deg", ("mean",)),
    ("elbow flexion", "elbow_flexion_deg", ("mean",)),
)
FRONT_EVENTS = ("top", "q90", "bdc", "range")
WORDS = {"bdc": "at BDC", "q90": "at 90°", "top": "at TDC", "min": "least", "max": "most", "mean": "mean",
         "range": "range"}  # fmt: skip


@reports_errors
def analyse(
    video: Annotated[Path, typer.Argument(help="The film, any format.", show_default=False)],
    view: Annotated[str, typer.Option(help="side or front.")],
    points: Annotated[Path, typer.Option(help="Marked points: JSON with time_s and points, upright pixels.")],
    crank_mm: Annotated[float, typer.Option(help="Crank length, mm.")],
    side: Annotated[str | None, typer.Option(help="Filmed side for the side view: left or right.")] = None,
    json_out: Annotated[str | None, typer.Option("--json", help="Write JSON there; - prints it.")] = None,
    camera_mm: Annotated[float | None, typer.Option(help="Lens to bottom bracket by tape, mm.")] = None,
    twin: Annotated[
        Path | None, typer.Option(help="The side view's JSON: depth of the knees (front view).")
    ] = None,
    readout_ms: Annotated[
        float | None, typer.Option(help="Time the sensor takes for one picture, ms.")
    ] = None,
    front_higher_mm: Annotated[
        float, typer.Option(help="By how much the front axle is higher than the rear one, mm (side view).")
    ] = 0.0,
    wheel_mm: Annotated[
        float | None, typer.Option(help="Diameter of the circle through the points on the rim, mm.")
    ] = None,
    length_mm: Annotated[
        float | None, typer.Option(help="Distance of the points length_1 and length_2, mm.")
    ] = None,
    length_depth_mm: Annotated[
        float, typer.Option(help="How far these two lie beside the bike's middle, toward the camera, mm.")
    ] = 0.0,
    card_depth_mm: Annotated[
        float | None,
        typer.Option(help="The scale card is in the marked frame, so far beside the bike's middle, mm."),
    ] = None,
    stance_mm: Annotated[
        float | None, typer.Option(help="Middle of the pedal to the bike's middle, mm.")
    ] = None,
    hip_breadth_mm: Annotated[float | None, typer.Option(help="Breadth over both trochanters, mm.")] = None,
) -> None:
    """Joint angles (side) or knee paths (front) by crank angle, from a film and points marked once.

    Example: fitwright ride analyse side.mp4 --view side --side right --points side.json --crank-mm 172.5
    """
    from fitwright.studio.film import Marks, analyse_clip
    from fitwright.studio.film_weak import advice_in
    from fitwright.vision.scene import Scene

    target = None if json_out in (None, "-") else check_target("json", Path(str(json_out)))
    marks = Marks.read(points)
    with progress_line() as progress:
        result = analyse_clip(
            video,
            view,
            side,
            marks,
            crank_mm,
            camera_mm=camera_mm,
            twin=_twin(twin),
            readout_ms=readout_ms,
            scene=Scene(
                front_higher_mm=front_higher_mm,
                wheel_mm=wheel_mm,
                length_mm=length_mm,
                length_depth_mm=length_depth_mm,
                stance_mm=stance_mm,
                hip_breadth_mm=hip_breadth_mm,
            ),
            card_depth_mm=card_depth_mm,
            progress=progress,
        )
    weak = advice_in(video, marks.time_s, result.ride, result.to_json())
    data = result.contract_json() | {"advice": list(weak)}
    if json_out == "-":
        typer.echo(json.dumps(data, ensure_ascii=False))
        return
    if target is not None:
        write_whole(target, json.dumps(data, ensure_ascii=False).encode())
    typer.echo(_text(video.name, result.ride, weak))
    if target is not None:
        typer.echo(f"\nWritten: {target}")


def _twin(path: Path | None) -> Any:
    """The side view's result, or None."""
    from fitwright.motion.ride import RideResult

    if path is None:
        return None
    held = read_json("twin", path)
    try:
        return RideResult.from_json(held)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError("twin", f"{path.name} is not the result of a side film",
                         hint="Give the file that --view side --json wrote") from error  # fmt: skip


def _text(name: str, ride: Any, weak: tuple[str, ...]) -> str:
    turns = ", ".join(f"{n} {s}" for s, n in ride.cycles.items())
    lines = [f"{name}: {ride.cadence_rpm}, whole turns: {turns}. Values ± 95 %.", ""]
    sides = list(ride.quantities)
    if ride.view == "side":
        lines += [
            f"{label + ', ' + WORDS[event]:<36}{_cell(ride.value(sides[0], quantity, event)):>20}"
            for label, quantity, events in SIDE_ROWS for event in events if ride.value(sides[0], quantity, event)
        ]  # fmt: skip
    else:
        lines.append(f"{'knee outward of the pedal':<36}" + "".join(f"{s:>20}" for s in sides))
        lines += [
            f"{'  ' + WORDS[e]:<36}"
            + "".join(f"{_cell(ride.value(s, 'knee_path_mm', e)):>20}" for s in sides)
            for e in FRONT_EVENTS
        ]
    return "\n".join(lines + ([""] if weak else []) + [f"Note: {n}" for n in weak])


def _cell(value: Measured | None) -> str:
    return "–" if value is None else format_pm(value)
