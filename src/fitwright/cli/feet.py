"""`fitwright feet`: from foot marks to a cleat setting, and back to it later."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from fitwright.cli.output import emit, reports_errors, two_numbers
from fitwright.errors import InputError, check_range
from fitwright.foot.frame import axle_under_foot
from fitwright.foot.hardware import Reachable, reach, system
from fitwright.foot.marks import COORDINATES, CombinedMarks, combine_marks
from fitwright.foot.remount import Comparison, compare, compare_poses
from fitwright.foot.rules import Candidate, Wish, rules, side_by_side
from fitwright.foot.sole import SolePoint, SoleReading
from fitwright.foot.start import Place, StartSetting, start_setting
from fitwright.quantity import Measured
from fitwright.studio.feet.marks_file import read_observations
from fitwright.studio.feet.measure import measure_sole, read_points, read_reading
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.photo import U_PICK_PX

app = typer.Typer(no_args_is_help=True, help="From foot marks to a cleat setting, and back to it later.")

AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
PLACE = "two numbers X,Z in mm, for example 201,-38"


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
    u_marks: Annotated[
        float, typer.Option("--u-marks", "--u-mark", help="Standard uncertainty of a mark's x and z, mm.")
    ] = 1.5,
    u_yaw: Annotated[float, typer.Option(help="Standard uncertainty of the yaw, deg.")] = 1.5,
    cleat: Annotated[
        str | None, typer.Option("--system", help="Cleat system, to see what can be bolted (with --pattern).")
    ] = None,
    pattern: Annotated[
        str | None, typer.Option(help="Centre of the shoe's bolt pattern, X,Z mm (with --system).")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """First cleat setting from M1, M5 and the foot's own yaw: fore-aft, lateral and rotation solved together.

    Example:

        fitwright feet start --m1 201,-38 --m5 172,44 --yaw 7 --lateral 2 --lambda 0.5 --json
        fitwright feet start --m1 201,-38 --m5 172,44 --yaw 7 --lateral 2 --system two_bolt --pattern 185,0
    """
    check_range("u_marks", u_marks, 0, 20, "mm")
    check_range("u_yaw", u_yaw, 0, 20, "deg")
    if (cleat is None) != (pattern is None):
        raise InputError("system, pattern", "one without the other", hint="Give both, or neither.")
    first, fifth = (
        SolePoint(*two_numbers(name, text, PLACE), np.eye(2) * u_marks**2)
        for name, text in (("m1", m1), ("m5", m5))
    )
    angle = Measured(yaw, u_yaw, "deg", "hanging foot")
    setting = start_setting(first, fifth, angle, lateral, fraction)
    wish = Wish(Place.between(fraction), angle, lateral)
    others = [c for c in side_by_side(first, fifth, wish, rules()) if c.setting and not c.chosen]
    near = None
    if cleat is not None and pattern is not None:
        near = reach(system(cleat), two_numbers("pattern", pattern, PLACE), setting.cleat.vector.tolist())
    told = setting.to_json() | {"others": [c.to_json() for c in others]}
    told |= {"reachable": near.to_json()} if near else {}
    emit(told, as_json, lambda: _start_text(setting, others, near))


def _start_text(s: StartSetting, others: Sequence[Candidate], near: Reachable | None) -> str:
    m = s.cleat.measured()
    lines = [
        f"cleat centre from the heel: {m['x_c_mm']}",
        f"lateral:                    {m['z_c_mm']}",
        f"rotation (toe-out):         {m['psi_c_deg']}",
        f"The axle crosses M1–M5 at {s.fraction:g}, {s.point_mm[0]:.1f} mm from the heel.",
    ]
    if near is not None and near.exact:
        lines.append("This cleat can be bolted so.")
    elif near is not None:
        pose = f"x {near.x_mm:.1f} mm, z {near.z_mm:.1f} mm, turned {near.psi_deg:.1f}°"
        lines.append(f"It cannot be bolted so: {near.words}. The nearest: {pose}.")
    return "\n".join(lines + [f"Other: {c.rule.words} ({c.rule.source}): {c.words}" for c in others])


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
    centre: Annotated[
        bool,
        typer.Option("--centre", help="A cleat of another shape: by its centre on the sole, without marks."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """How far the cleat sits from its recorded place, and what the hand must do.

    Nose, tail and datum marks of both readings are fitted together. From four points on, one that contradicts the
    others is named and left out; exchanged, foreign and collinear marks are refused.

    Example:

        fitwright feet compare recorded.json now.json --json
    """
    before, after = read_reading(recorded), read_reading(now)
    result = compare_poses(before, after) if centre else compare(before, after, marks_on)
    emit(result.to_json(), as_json, lambda: _compare_text(result))


def _compare_text(c: Comparison) -> str:
    lines = [
        f"now against recorded: fore-aft {c.x}, lateral {c.z}, rotation {c.psi}",
        f"to restore: {c.words}",
        f"residual of the marks {c.residual_mm:.2f} mm ({c.x.method})",
    ]
    return "\n".join(lines + [f"note: {note}" for note in c.notes])


@app.command()
@reports_errors
def marks(
    observations: Annotated[
        Path, typer.Argument(help="JSON file, a list of observations (see above).", show_default=False)
    ],
    foot_length: Annotated[
        float | None, typer.Option(help="Length of the bare foot, mm: guesses what nobody measured.")
    ] = None,
    sex: Annotated[str, typer.Option(help="M, F or empty: which sample guesses.")] = "",
    as_json: AsJson = False,
) -> None:
    """M1 and M5 from several ways of measuring, combined; what contradicts what is named.

    Coordinates in mm: m1_x and m5_x from the heel, m1_z and m5_z outward of the mid-line. u is the standard
    uncertainty, one number or one for each value; or covariance_mm2, in the order of the values.

    Example:

        echo '\\[{"source": "sole", "values": {"m1_x": 201, "m1_z": -38, "m5_x": 172, "m5_z": 44}, "u": 0.7},
        {"source": "ruler", "values": {"m1_x": 208}, "u": 1.5}]' > observations.json

        fitwright feet marks observations.json --json
    """
    found = combine_marks(read_observations(observations, foot_length, sex))
    emit(found.to_json(), as_json, lambda: _marks_text(found))


def _marks_text(found: CombinedMarks) -> str:
    lines = [
        f"{name}: {m}  ({'guessed: ' if name in found.guessed else ''}{m.method})"
        for name, m in found.measured.items()
    ]
    lines += [f"{name}: not known" for name in COORDINATES if name not in found.names]
    if found.dof:
        lines.append(f"chi-square {found.chi2:.2f} with {found.dof} more than needed, p {found.p_value:.3g}")
    lines += [f"conflict: {c.words()}" for c in found.conflicts]
    return "\n".join(lines + ([f"cannot be used: {found.impossible}"] if found.impossible else []))
