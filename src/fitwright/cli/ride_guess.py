"""`fitwright ride guess`: a first guess of the near leg without stickers, by a landmark network of yours."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from fitwright.cli.output import check_target, reports_errors, write_whole
from fitwright.errors import InputError

NOT_GUESSED = "pedal_axle"
CONFIRM = "Look at each in the picture; take a name out of “guessed” once its point is right"


@reports_errors
def guess(
    video: Annotated[Path, typer.Argument(help="The film, from the side.", show_default=False)],
    side: Annotated[str, typer.Option(help="The filmed side: left or right.")],
    model: Annotated[Path, typer.Option(help="Landmark network: a TFLite or ONNX file of yours.")],
    view: Annotated[str, typer.Option(help="side; nothing is guessed from the front.")] = "side",
    sha256: Annotated[str, typer.Option(help="Digest of the file, when it is not one that is known.")] = "",
    at: Annotated[
        float | None, typer.Option(help="Moment, s; else that of --points, else one is found.")
    ] = None,
    points: Annotated[
        Path | None, typer.Option(help="Points marked by hand in that frame (pedal axle): they are kept.")
    ] = None,
    crank_mm: Annotated[
        float | None, typer.Option(help="Crank length, mm: the scale, when both its ends are known.")
    ] = None,
    wheel_mm: Annotated[
        float | None, typer.Option(help="Diameter of the circle through marked points on the rim, mm.")
    ] = None,
    box: Annotated[str, typer.Option(help="Where the rider is: left,top,right,bottom, px.")] = "",
    json_out: Annotated[
        str | None, typer.Option("--json", help="Write the points there; - prints them.")
    ] = None,
) -> None:
    """Where the near leg's points may be: guesses to be looked at, never measurements.

    What is written is taken by `ride analyse --points`; angles from a guess read “estimate ± 12°” until it is
    confirmed.

    Example: fitwright ride guess side.mp4 --side right --model net.tflite --points axle.json --json points.json
    """
    from fitwright.errors import check_range
    from fitwright.studio.film import Marks
    from fitwright.studio.film_guess import guess_leg, marks_of
    from fitwright.vision.landmark_net import describe, open_net
    from fitwright.vision.leg_guess import Surround

    if view != "side":
        raise InputError("view", "nothing is guessed from there", value=view, allowed="side")
    if side not in ("left", "right"):
        raise InputError("side", "say which side was filmed", value=side, allowed="left, right")
    target = None if json_out in (None, "-") else check_target("json", Path(str(json_out)))
    if crank_mm is not None:
        check_range("crank_mm", crank_mm, 100, 220, "mm")
    if wheel_mm is not None:
        check_range("wheel_mm", wheel_mm, 250, 900, "mm")
    by_hand = Marks.read(points) if points is not None else None
    file = describe(model)
    net = open_net(file, sha256)
    around = Surround(_places(by_hand), crank_mm, wheel_mm)
    moment = at if at is not None else by_hand.time_s if by_hand is not None else None
    told = guess_leg(video, net, side, moment, around, _box(box))
    if told.scale is None:
        better = ", ".join(f"{t:.2f}" for t in told.better_s)
        raise InputError("at", f"this frame is rejected: {told.rejected}", value=round(told.time_s, 3),
                         hint=f"Try {better} s" if better else "Try another moment")  # fmt: skip
    hand = dict(by_hand.points) if by_hand is not None else {}
    data = marks_of(told, hand) | {
        "model": file.to_json(), "scale": {"px_per_mm": told.scale.px_per_mm, "from": told.scale.how},
        "spread_deg": told.look.spread_deg, "score": told.look.score, "notes": _notes(told, hand),
    }  # fmt: skip
    if json_out == "-":
        typer.echo(json.dumps(data, ensure_ascii=False))
        return
    if target is not None:
        write_whole(target, json.dumps(data, ensure_ascii=False).encode())
    typer.echo(_text(video.name, data))
    if target is not None:
        typer.echo(f"\nWritten: {target}")


def _places(marks: Any) -> dict[str, Any]:
    import numpy as np

    return {} if marks is None else {n: np.array(uv) for n, uv in marks.points.items()}


def _box(text: str) -> tuple[float, float, float, float] | None:
    if not text:
        return None
    try:
        left, top, right, bottom = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError("box", "not understood", value=text, allowed="left,top,right,bottom in px") from None
    return left, top, right, bottom


def _notes(told: Any, by_hand: dict[str, Any]) -> list[str]:
    notes = [f"{n}: the disc that a rider's layout names so lies far from where the network sees it; mark it by hand."
             for n in told.doubted]  # fmt: skip
    if NOT_GUESSED not in by_hand:
        notes.append(f"{NOT_GUESSED} is no place of the body: mark it by hand and give it with --points.")
    return notes


def _text(name: str, data: dict[str, Any]) -> str:
    file = data["model"]
    lines = [
        f"{name}, frame at {data['time_s']:.3f} s. {file['name']}: {file['size_bytes']} bytes, "
        f"licence {file['licence'] or 'not known'}, SHA-256 {file['sha256']}.", "",
    ]  # fmt: skip
    for point, (u, v) in data["points"].items():
        guess_of = data["guessed"].get(point)
        how = f"a guess, ± {1.96 * guess_of['u_px']:.0f} px" if guess_of else "by hand"
        lines.append(f"{point:<26}{u:>9.1f}{v:>9.1f}  {'on a disc' if point in data['on_disc'] else how}")
    if data["guessed"]:
        lines += ["", f"{CONFIRM}. Until then angles from it read “estimate ± 12°” and no plan acts on them."]
    return "\n".join(lines + [f"Note: {n}" for n in data["notes"]])
