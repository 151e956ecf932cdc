"""`fitwright plan`: findings, and the smallest set of changes."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from fitwright.cli.output import emit, reports_errors
from fitwright.cli.serve import StudioOption
from fitwright.cli.visit import VisitArgument, visit_of
from fitwright.errors import InputError
from fitwright.linkage.response import PLACES
from fitwright.plan.adjustables import canonical
from fitwright.plan.types import Alternative, Finding, Plan, Prediction
from fitwright.plan.ways import beyond_careful
from fitwright.quantity import format_pm
from fitwright.studio import learnt
from fitwright.studio import plan as station

app = typer.Typer(no_args_is_help=True, help="Findings, and the smallest set of changes.")
JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON.")]
PARTS = ("knee", "ankle", "pelvis")


WayOption = Annotated[
    str,
    typer.Option(
        "--way", help="What to spare first: fewest, gentlest or middle (default: as chosen before)."
    ),
]


@app.command("solve")
@reports_errors
def solve(
    visit: VisitArgument, studio: StudioOption = None, way: WayOption = "", as_json: JsonFlag = False
) -> None:
    """Make the plan of a visit from its ride, soles and bike, by the studio's bands and the visit's wishes; keep it.

    Once changes were recorded as done it goes on from there and asks for none of them again.

    Example: fitwright plan solve 1 --way gentlest --studio demo-studio
    """
    about = visit_of(visit)
    if way:
        station.prefer(about, way)
    plan = station.make(about)
    emit(plan.to_json(), as_json, lambda: _plan_text(plan))


@app.command("record")
@reports_errors
def record(
    studio: StudioOption = None,
    last: Annotated[int, typer.Option(help="How many of the newest intervals count.", min=1)] = learnt.LAST,
    simulated: Annotated[bool, typer.Option("--simulated", help="The demo's riders instead.")] = False,
    as_json: JsonFlag = False,
) -> None:
    """How often predicted intervals held, over all visits, and what the archive's riders do with a change of saddle.

    Example: fitwright plan record --last 40
    """
    kept, model = learnt.kept_intervals(simulated=simulated, last=last), learnt.everybody(simulated=simulated)
    shares = {name: model.share(name) for place in PLACES for name in (f"{part}_{place}" for part in PARTS)}
    data = {"held": kept.held, "of": kept.of, "words": kept.words, "simulated": simulated,
            "response": model.to_json()}  # fmt: skip
    rows = [
        f"  {name.replace('_', ', '):<16} {format_pm(m)} of the rigid change" for name, m in shares.items()
    ]
    whose = (
        f"{model.riders} rider{'s' * (model.riders != 1)}"
        if model.riders
        else "the published prior, no rider yet"
    )
    emit(
        data,
        as_json,
        lambda: "\n".join([f"{kept.words}.", "", f"Next rider's shares, ± 95 % ({whose}):", *rows]),
    )


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
    wanted = dict(map(_change, changes))
    predictions = station.what_if(visit_of(visit), wanted)
    careful = beyond_careful({canonical(k): v for k, v in wanted.items()})
    data: dict[str, Any] = {"predictions": [p.to_json() for p in predictions], "careful": list(careful)}
    emit(data, as_json, lambda: "\n".join([*map(_line, predictions), *(f"  {w}" for w in careful)]))


def _change(text: str) -> tuple[str, float]:
    name, _, value = text.partition("=")
    try:
        return name.strip(), float(value.replace("−", "-").replace(",", "."))
    except ValueError:
        raise InputError("--set", "is not NAME=NUMBER", value=text, hint="e.g. saddle_height=+5") from None


def _line(p: Prediction) -> str:
    return f"  {p.label:<42} {format_pm(p.now):>18}  →  {format_pm(p.expected)}"


def _plan_text(plan: Plan) -> str:
    lines = ["Findings", *map(_finding_line, plan.findings)]
    if plan.stopped:
        return "\n".join([*lines, "", plan.stopped])
    if plan.asymmetry:
        lines += ["", "Left and right", *(f"  {a}" for a in plan.asymmetry)]
    lines += ["", "Ways to the bands", *(line for w in plan.alternatives for line in _way_lines(w))]
    chosen = plan.settings["taste"]
    lines += ["", f"Changes, one at a time ({chosen})" if plan.changes else _nothing(plan)]
    for i, change in enumerate(plan.changes, 1):
        lines.append(f"  {i}. {change.words}")
        lines += ["   " + _line(p) for p in change.predictions]
        lines.append(f"     then measure again: {', '.join(change.measure_again)}")
        lines += [f"     stop when {s}" for s in change.stop_when]
    still = [f"  still open: {u}" for u in plan.unmet]
    return "\n".join([*lines, *still, *(f"  {n}" for n in (*plan.later, *plan.notes))])


def _nothing(plan: Plan) -> str:
    return plan.blocked or ("No change helps enough." if plan.unmet else "Nothing to change.")


def _finding_line(f: Finding) -> str:
    band = f"{f.target.low:g} to {f.target.high:g}"
    side = "" if f.side == "both" else f", {f.side}"
    inside = f"not compared: {f.refused}" if f.refused else f"{100 * f.probability_in:.0f} % inside"
    return f"  {f.target.label + side:<46} {format_pm(f.value):>18}  {f.state:<8} ({band}; {inside})"


def _way_lines(w: Alternative) -> list[str]:
    told = [f"  {w.label} ({w.key}): {len(w.changes)} changes, felt {w.felt:.1f}"]
    told += [f"    {words.split(': from ')[0]}" for words in w.words]
    for r in w.reaches:
        if r.acted:
            chances = f"{100 * r.probability_now:.0f} → {100 * r.probability_then:.0f} % inside"
            told.append(f"    {r.label}, {r.id.split('.')[0]}: {chances}")
    return told
