"""`fitwright photo`: measure on a photograph with the scale card in view."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from fitwright.cli.output import emit, reports_errors, two_numbers
from fitwright.errors import InputError, check_range
from fitwright.quantity import Z95
from fitwright.vision.boards import Chessboard
from fitwright.vision.calibrate import Board, as_seen, calibrate, described_chessboard, leave_out, readable
from fitwright.vision.calibration import CameraCalibration
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.photo import BoardReport, described_board, measure_board
from fitwright.vision.picture import read_picture

app = typer.Typer(
    no_args_is_help=True, help="Measure on a photograph with the scale card in view, and calibrate cameras."
)

PIXEL = "two numbers U,V, for example 12.5,340"


@app.command()
@reports_errors
def measure(
    image: Annotated[
        Path, typer.Argument(help="JPEG, PNG, HEIC, TIFF or WebP photograph.", show_default=False)
    ],
    squares: Annotated[
        str | None, typer.Option(help="Board size, ACROSSxDOWN squares, for example 5x7.")
    ] = None,
    square_mm: Annotated[float | None, typer.Option(help="Side of a square, mm.")] = None,
    marker_mm: Annotated[
        float | None, typer.Option(help="Side of a marker, mm (default: half a square).")
    ] = None,
    dictionary: Annotated[
        str | None, typer.Option(help="Marker dictionary, for example DICT_6X6_250.")
    ] = None,
    first_id: Annotated[int, typer.Option(help="Id of the board's first marker.")] = 0,
    point: Annotated[list[str] | None, typer.Option(help="Pixel to map, U,V; may be repeated.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Rectify a photograph by the ChArUco board in it: markers, corners, errors, and points in the board's plane.

    Without options our own scale card is looked for; else the board is recognised from the picture and what was
    assumed is said.

    Example:

        fitwright photo measure sole.jpg --point 812.4,1530.0 --json

        fitwright photo measure board.jpg --squares 5x7 --square-mm 40 --marker-mm 20 --dictionary DICT_6X6_250
    """
    layout = None
    if squares is not None or dictionary is not None:
        if squares is None or dictionary is None or square_mm is None:
            raise InputError("board", "needs --squares, --square-mm and --dictionary together")
        layout = described_board(squares, square_mm, marker_mm, dictionary, first_id)
    elif square_mm is not None and not 0.1 <= square_mm <= 500:
        raise InputError("square_mm", "outside the allowed range", value=square_mm, allowed="0.1 to 500 mm")
    if layout is None and (marker_mm is not None or first_id != 0):
        raise InputError(
            "marker_mm" if marker_mm is not None else "first_id", "says nothing without a board",
            hint="Give --squares, --square-mm and --dictionary too",
        )  # fmt: skip
    points = [two_numbers("point", text, PIXEL) for text in point or []]
    report = measure_board(read_picture(image), layout, points, square_mm)
    data = {"image": image.name, **report.to_json()}
    emit(data, as_json, lambda: _text(data, report))


@app.command("calibrate")
@reports_errors
def calibrate_camera(
    pictures: Annotated[
        list[Path],
        typer.Argument(help="Pictures of the board by one camera at one zoom.", show_default=False),
    ],
    squares: Annotated[
        str | None,
        typer.Option(help="ACROSSxDOWN: squares of a ChArUco board, inner corners of a chessboard."),
    ] = None,
    square_mm: Annotated[float | None, typer.Option(help="Side of a square, mm.")] = None,
    chessboard: Annotated[bool, typer.Option("--chessboard", help="A plain chessboard, no markers.")] = False,
    marker_mm: Annotated[float | None, typer.Option(help="ChArUco: side of a marker, mm.")] = None,
    dictionary: Annotated[str | None, typer.Option(help="ChArUco: marker dictionary.")] = None,
    window_px: Annotated[
        int | None, typer.Option(help="Chessboard: half window of the sub-pixel step, px.")
    ] = None,
    without: Annotated[list[str] | None, typer.Option(help="Picture to leave out; may be repeated.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Calibrate a camera from several pictures of a board: focal length, principal point, lens, each with its
    uncertainty, and the miss of each picture. Without options the board is our scale card.

    A picture that misses far more than the others is named; leave it out by --without.

    Example:

        fitwright photo calibrate IMG_1.jpg IMG_2.jpg IMG_3.jpg --squares 9x6 --square-mm 25 --chessboard --json
    """
    if window_px is not None:
        check_range("window_px", window_px, 1, 50, "px")
    sources = [partial(read_picture, path) for path in pictures]
    board = _stated_board(squares, square_mm, chessboard, marker_mm, dictionary)
    if isinstance(board, Chessboard):
        board = as_seen(readable(sources, {}), board)
    spoilt: dict[str, str] = {}
    found = calibrate(readable(sources, spoilt), board, window_px, spoilt=spoilt)
    if without:
        found = leave_out(found, without)
    emit(found.to_json(with_corners=False), as_json, lambda: _calibration_text(found))


def _stated_board(
    squares: str | None,
    square_mm: float | None,
    chessboard: bool,
    marker_mm: float | None,
    dictionary: str | None,
) -> Board:
    if squares is None and not chessboard and dictionary is None:
        return SCALE_CARD
    if squares is None or square_mm is None:
        raise InputError("board", "needs --squares and --square-mm together")
    if chessboard:
        return described_chessboard(squares, square_mm)
    if dictionary is None:
        raise InputError(
            "dictionary", "is missing", hint="Name it, or say --chessboard for a board without markers"
        )
    return described_board(squares, square_mm, marker_mm, dictionary)


def _calibration_text(c: CameraCalibration) -> str:
    u, v = c.centre_px
    lines = [
        f"camera: {c.camera_name or 'not named by its files'}, {c.size_px[0]} x {c.size_px[1]} px",
        f"focal length {c.focal_px}",
        f"principal point {u.value:.1f} ± {Z95 * u.u:.1f}, {v.value:.1f} ± {Z95 * v.u:.1f} px",
        "lens " + ", ".join(f"{n} {m.value:+.4f} ± {Z95 * m.u:.4f}" for n, m in c.terms.items()),
        f"reprojection {c.rms_px:.3f} px rms over {len(c.by_picture)} pictures",
    ]
    lines += [f"  {name}: {rms:.3f} px" for name, rms in c.by_picture.items()]
    lines += [f"not used: {name}: {why}" for name, why in c.unusable.items()]
    return "\n".join([*lines, *(f"note: {note}" for note in c.notes)])


def _text(data: dict[str, Any], report: BoardReport) -> str:
    unit = report.unit
    lines = []
    for b in data["boards"]:
        lines.append(
            f"{b['name']}: {b['dictionary']}, {b['squares_across']} x {b['squares_down']} squares of "
            f"{b['square_mm']:g} {unit}; {b['markers']} markers, {b['corners']} corners"
        )
        worst = max(b["corner_errors"], key=lambda e: e["error_px"])
        lines.append(
            f"  homography rms {b['homography_rms_px']:.3f} px ({b[f'homography_rms_{unit}']:.3f} {unit}); worst "
            f"corner {worst['id']}: {worst['error_px']:.2f} px ({worst[f'error_{unit}']:.3f} {unit})"
        )
    camera = data["camera"]
    lines.append(f"camera: fit rms {camera['fit_rms_px']:.3f} px, k1 {report.plane.k1.value:+.4f} ± "
                 f"{1.96 * report.plane.k1.u:.4f}; {camera['prior']}")  # fmt: skip
    for uv, x, y in report.points:
        lines.append(
            f"point {uv[0]:g},{uv[1]:g} px: x {x.value:.2f} ± {1.96 * x.u:.2f}, "
            f"y {y.value:.2f} ± {1.96 * y.u:.2f} {unit}"
        )
    lines += [f"assumed: {a}" for a in report.assumed]
    return "\n".join(lines)
