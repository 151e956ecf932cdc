"""`fitwright visit`: what a studio holds, and the papers of a visit."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from fitwright.cli.output import emit, reports_errors
from fitwright.cli.serve import StudioOption
from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.studio import overview, takeaway
from fitwright.studio import papers as printing
from fitwright.studio.house import open_studio

app = typer.Typer(no_args_is_help=True, help="Visits on record: list, show, position, papers.")
VisitArgument = Annotated[int, typer.Argument(help="Number of the visit (see: fitwright visit list).")]
JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def visit_of(number: int) -> Visit:
    """The visit with this number; InputError when there is none."""
    open_studio()
    visit = Visit.objects.select_related("rider", "bike", "shoes").filter(pk=number).first()
    if visit is None:
        known = ", ".join(map(str, Visit.objects.order_by("pk").values_list("pk", flat=True)[:20])) or "none"
        raise InputError("visit", "there is none with this number", value=number, allowed=known)
    return visit


@app.command("list")
@reports_errors
def list_visits(studio: StudioOption = None, as_json: JsonFlag = False) -> None:
    """All visits, newest first.

    Example: fitwright visit list --studio demo-studio --json
    """
    open_studio()
    rows: list[dict[str, Any]] = [
        {
            "visit": v.pk, "rider": v.rider.name, "use": v.use, "title": v.title, "simulated": v.simulated,
            "opened_at": v.opened_at.isoformat(),
        }
        for v in Visit.objects.select_related("rider")
    ]  # fmt: skip
    emit({"visits": rows}, as_json, lambda: _table(rows))


@app.command("show")
@reports_errors
def show(visit: VisitArgument, studio: StudioOption = None, as_json: JsonFlag = False) -> None:
    """What is known and missing at each station of a visit.

    Example: fitwright visit show 1 --studio demo-studio
    """
    one = visit_of(visit)
    walk = overview.stations(one)
    data = {
        "visit": one.pk, "rider": one.rider.name, "simulated": one.simulated,
        "stations": [
            {"name": s.name, "state": s.state, "known": list(s.known), "missing": list(s.missing)} for s in walk
        ],
    }  # fmt: skip
    emit(data, as_json, lambda: "\n".join(_station(s) for s in walk))


@app.command("position")
@reports_errors
def position(visit: VisitArgument, studio: StudioOption = None, as_json: JsonFlag = False) -> None:
    """The position to restore: contact points and cleats with uncertainty, as data.

    Example: fitwright visit position 1 --studio demo-studio --json
    """
    record = takeaway.position_record(visit_of(visit))
    emit(record, as_json, lambda: _position(record))


@app.command("papers")
@reports_errors
def papers(
    visit: VisitArgument,
    out: Annotated[Path, typer.Option("--out", help="Folder to write into.")],
    paper: Annotated[str, typer.Option("--paper", help="a4 or us-letter.")] = "a4",
    studio: StudioOption = None,
    as_json: JsonFlag = False,
) -> None:
    """Write position sheet, 1:1 cleat cards, report and the position record.

    Example: fitwright visit papers 1 --out papers --paper us-letter
    """
    if paper not in printing.PAPERS:
        raise InputError("paper", "unknown", value=paper, allowed=", ".join(printing.PAPERS))
    if out.exists() and not out.is_dir():
        raise InputError("out", f"{out} is a file", allowed="a folder, there or not yet")
    written = [str(p) for p in printing.write_documents(visit_of(visit), out, paper)]
    emit({"written": written}, as_json, lambda: "\n".join(written) or "nothing was measured yet")


def _table(rows: list[dict[str, Any]]) -> str:
    if not rows:
        return "No visit yet. Open one in the workbench (fitwright serve) or try: fitwright demo"
    return "\n".join(
        f"{r['visit']:>4}  {r['rider']:<32} {r['use']:<11} {r['opened_at'][:10]}"
        + ("  simulated" if r["simulated"] else "")
        for r in rows
    )


def _station(s: overview.Station) -> str:
    lines = [f"{s.label} ({s.state_words})", *(f"  {k}" for k in s.known)]
    return "\n".join([*lines, *(f"  missing: {m}" for m in s.missing)])


def _position(record: dict[str, Any]) -> str:
    lines = [f"{record['rider']}, position {record['position']} ({record['label']})"]
    for key, value in (record["bike"] or {}).items():
        u = (record["bike_measured"] or {}).get(key, {}).get("u")
        lines.append(f"  {key:<22} {value:8.1f}" + (f" ± {1.96 * u:.1f}" if u else ""))
    for side, foot in record["feet"].items():
        cleat = foot["cleat"]
        if cleat:
            x, z, psi = (cleat[k] for k in ("x_c_mm", "z_c_mm", "psi_c_deg"))
            lines.append(
                f"  {side} cleat: {x['value']:.1f} ± {1.96 * x['u']:.1f} mm from the heel, {z['value']:.1f} ± "
                f"{1.96 * z['u']:.1f} mm outward, toe-out {psi['value']:.1f} ± {1.96 * psi['u']:.1f}°"
            )
    return "\n".join(lines)
