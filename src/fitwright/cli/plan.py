"""`fitwright plan`: findings, and the smallest set of changes."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from fitwright.cli.output import emit, reports_errors
from fitwright.cli.serve import StudioOption
from fitwright.cli.visit import VisitArgument, visit_of
from fitwright.errors import InputError
from fitwright.plan.types import Plan, Prediction
from fitwright.quantity import format_pm
from fitwright.studio import plan as station

app = typer.Typer(no_args_is_help=True, help="Findings, and the smallest set of changes.")
JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON.")]


@app.command("solve")
@reports_errors
def solve(visit: VisitArgument, studio: StudioOption = None, as_json: JsonFlag = False) -> None:
    """Make the plan of a visit from its ride, soles and bike, and keep it.

    Example: fitwright plan solve 1 --studio demo-studio
    """
    plan = station.make(visit_of(visit))
    emit(plan.to_json(), as_json, lambda: _plan_text(plan))


@app.command("whatif")
@reports_errors
def whatif(
    visit: VisitArgument,
    changes: Annotated[
        list[str], typer.Option("--set", help="NAME=CHANGE, e.g. saddle_height=+5; repeatable.")
    ],
    studio: StudioOption = None,
    as_json: JsonFlag = False,
) -> None:
    """What given changes are expected to do, before any bolt is turned.

    Example: fitwright plan whatif 1 --set saddle_height=-5 --set cleat_x_left=-3
    """
    predictions = station.what_if(visit_of(visit), dict(map(_change, changes)))
    data: dict[str, Any] = {"predictions": [p.to_json() for p in predictions]}
    emit(data, as_json, lambda: "\n".join(map(_line, predictions)))


def _change(text: str) -> tuple[str, float]:
    name, _, value = text.partition("=")
    try:
        return name.strip(), float(value.replace("−", "-").replace(",", "."))
    except ValueError:
        raise InputError("--set", "is not NAME=NUMBER", value=text, hint="e.g. saddle_height=+5") from None


def _line(p: Prediction) -> str:
    return f"  {p.label:<42} {format_pm(p.now):>18}  →  {format_pm(p.expected)}"


def _plan_text(plan: Plan) -> str:
    lines = ["Findings"]
    for f in plan.findings:
        band = f"{f.target.low:g} to {f.target.high:g}"
        side = "" if f.side == "both" else f", {f.side}"
        lines.append(f"  {f.target.label + side:<46} {format_pm(f.value):>18}  {f.state:<8} ({band})")
    if plan.stopped:
        return "\n".join([*lines, "", plan.stopped])
    lines += ["", "Changes" if plan.changes else "Nothing to change."]
    for i, change in enumerate(plan.changes, 1):
        lines.append(f"  {i}. {change.words}")
        lines += ["   " + _line(p) for p in change.predictions]
    return "\n".join([*lines, *(f"  still open: {u}" for u in plan.unmet), *(f"  {n}" for n in plan.notes)])
