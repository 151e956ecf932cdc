"""`fitwright feet`: from foot marks to a cleat setting, and back to it later."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from fitwright.cli.output import emit, reports_errors
from fitwright.errors import InputError, check_range
from fitwright.foot.frame import axle_under_foot
from fitwright.foot.remount import Comparison, compare
from fitwright.foot.sole import SolePoint, SoleReading
from fitwright.foot.start import StartSetting, start_setting
from fitwright.quantity import Measured
from fitwright.studio.feet.measure import measure_sole, read_points, read_reading
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.photo import U_PICK_PX

app = typer.Typer(no_args_is_help=True, help="From foot marks to a cleat setting, and back to it later.")

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]


@app.command()
@reports_errors
def start(
    m1: Annotated[str, typer.Option(help="First metatarsal head, X,Z mm (from the heel; outward positive).")],
    m5: Annotated[str, typer.Option(help="Fifth metatarsal head, X,Z mm.")],
    yaw: Annotated[float, typer.Option(help="Toe-out angle of the hanging foot, deg.")],
    lateral: Annotated[
        float, typer.Option(help="Lateral setting of the cleat's centre, mm, outward positive.")
    ],
    fraction: Annotated[float, typer.Option("--lambda", help="Axle between M1 (0) and M5 (1).")] = 0.5,
    u_mark: Annotated[float, typer.Option(help="Standard uncertainty of a mark's x and z, mm.")] = 1.5,
    u_yaw: Annotated[float, typer.Option(help="Standard uncertainty of the yaw, deg.")] = 1.5,
    as_json: AsJson = False,
) -> None:
    """First cleat setting from M1, M5 and the foot's own yaw: fore-aft, lateral and rotation solved together.

    Example:

        fitwright feet start --m1 201,-38 --m5 172,44 --yaw 7 --lateral 2 --lambda 0.5 --json
    """
    check_range("u_mark", u_mark, 0, 20, "mm")
    check_range("u_yaw", u_yaw, 0, 20, "deg")
    first, fifth = (_sole_point(name, text, u_mark) for name, text in (("m1", m1), ("m5", m5)))
    setting = start_setting(first, fifth, Measured(yaw, u_yaw, "deg", "hanging foot"), lateral, fraction)
    emit(setting.to_json(), as_json, lambda: _start_text(setting))


def _sole_point(name: str, text: str, u_mm: float) -> SolePoint:
    try:
        x, z = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            name, "not understood", value=text, allowed="two numbers X,Z in mm, for example 201,-38"
        ) from None
    return SolePoint(x, z, np.eye(2) * u_mm**2)


def _start_text(s: StartSetting) -> str:
    m = s.cleat.measured()
    lines = [
        f"cleat centre from the heel: {m['x_c_mm']}",
        f"lateral:                    {m['z_c_mm']}",
        f"rotation (toe-out):         {m['psi_c_deg']}",
        f"The axle crosses M1–M5 at {s.fraction:g}, {s.point_mm[0]:.1f} mm from the heel.",
    ]
    return "\n".join(lines + [f"Other: {rule}: {x:.1f} mm" for rule, x in s.others])


@app.command()
@reports_errors
def measure(
    photo: Annotated[
        Path, typer.Argument(help="Photograph of the sole with both strips of the card.", show_default=False)
    ],
    foot: Annotated[str, typer.Option(help="left or right.")],
    points: Annotated[Path, typer.Option(help="JSON file, name to pixel pair (see above).")],
    check_bar_mm: Annotated[
        float | None, typer.Option(help="Measured length of the printed check bar, mm.")
    ] = None,
    height_mm: Annotated[float, typer.Option(help="Height of the sole above the card's plane, mm.")] = 0.0,
    u_pick_px: Annotated[float, typer.Option(help="Standard uncertainty of a pick, px.")] = U_PICK_PX,
    from_above: Annotated[bool, typer.Option("--from-above", help="An insole seen from above.")] = False,
    as_json: AsJson = False,
) -> None:
    """Sole frame, M1, M5, cleat pose and datum marks from a photograph and picked points.

    Points (pixels of the upright picture): heel_centre, toe, m1, m5, cleat_nose, cleat_tail, axle_inner,
    axle_outer, datum_1, datum_2, ... The sole is seen from below. The file looks like
    {"points": {"heel_centre": \\[812, 1530], "toe": \\[840, 402]}}

    Example:

        fitwright feet measure sole-left.jpg --foot left --points points.json --json > left.json
    """
    card = SCALE_CARD if check_bar_mm is None else SCALE_CARD.with_check_bar(check_bar_mm)
    reading = measure_sole(
        photo,
        foot,
        read_points(points),
        card=card,
        from_below=not from_above,
        u_pick_px=u_pick_px,
        height_mm=height_mm,
    )
    emit(reading.to_json() | _fraction(reading), as_json, lambda: _reading_text(reading))


def _fraction(reading: SoleReading) -> dict[str, Any]:
    """λ at the middle of the float, when M1, M5 and the cleat are marked."""
    if reading.cleat is None or not {"m1", "m5"} <= set(reading.landmarks):
        return {}
    return {"lambda": axle_under_foot(reading).to_json()}


def _reading_text(r: SoleReading) -> str:
    lines = [f"{r.foot} sole, length {r.length_mm}"]
    for name, p in {**r.landmarks, **r.datums}.items():
        u = np.sqrt(np.diag(p.covariance_mm2))
        x, z = Measured(p.x_mm, float(u[0]), "mm"), Measured(p.z_mm, float(u[1]), "mm")
        lines.append(f"{name:12} x {x}, z {z}")
    if r.cleat:
        lines += [f"cleat {name:10} {m}" for name, m in r.cleat.measured().items()]
    if _fraction(r):
        lines.append(f"axle between M1 (0) and M5 (1): {axle_under_foot(r)}")
    q = r.quality
    lines.append(
        f"card: {q['corners']} corners, fit {q['fit_rms_px']:.2f} px rms, {q['px_per_mm']:.1f} px/mm"
    )
    return "\n".join(lines + [f"note: {note}" for note in q["notes"]])


@app.command("compare")
@reports_errors
def compare_readings(
    recorded: Annotated[
        Path, typer.Argument(help="Recorded reading (JSON of `feet measure`).", show_default=False)
    ],
    now: Annotated[Path, typer.Argument(help="Reading of today.", show_default=False)],
    marks_on: Annotated[str, typer.Option(help="Where the datum marks are: cleat, sole, or auto.")] = "auto",
    as_json: AsJson = False,
) -> None:
    """How far the cleat sits from its recorded place, and what the hand must do.

    Example:

        fitwright feet compare recorded.json now.json --json
    """
    result = compare(read_reading(recorded), read_reading(now), marks_on)
    emit(result.to_json(), as_json, lambda: _compare_text(result))


def _compare_text(c: Comparison) -> str:
    lines = [
        f"now against recorded: fore-aft {c.x}, lateral {c.z}, rotation {c.psi}",
        f"to restore: {c.words}",
        f"residual of the marks {c.residual_mm:.2f} mm ({c.x.method})",
    ]
    return "\n".join(lines + [f"note: {note}" for note in c.notes])
