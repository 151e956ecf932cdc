"""Photographs: time on one core, propagation against Monte Carlo, and what a calibration of the camera is worth."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
from PIL import Image

from bench.measurement import Measurement, Row, outside_data, seconds
from fitwright.demo.riders import RIDERS
from fitwright.demo.sole_photo import hand_points, render_sole
from fitwright.foot.frame import read_sole
from fitwright.quantity import Z95, Floats
from fitwright.studio.feet.measure import measure_sole
from fitwright.vision.boards import Chessboard, find_boards
from fitwright.vision.calibrate import calibrate, leave_out
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.lens import LensPrior
from fitwright.vision.photo import card_plane
from fitwright.vision.picture import Picture, decode_picture, read_picture
from fitwright.vision.plane_fit import fit_plane

DRAWS = 10_000
READ = ("sole length", "cleat fore-aft", "cleat lateral", "cleat rotation")
HEIGHT = {"u_height_mm": 1.0, "u_uneven_mm": 0.3}


@lru_cache(maxsize=1)
def photograph() -> tuple[bytes, dict[str, tuple[float, float]]]:
    """A rendered 12-megapixel JPEG of a sole with both strips, and hand-picked points (simulated)."""
    rider = next(iter(RIDERS.values()))
    with TemporaryDirectory(prefix="fitwright-bench-") as folder:
        path = Path(folder) / "sole.jpg"
        truth = render_sole(rider, "left", rider.setup.cleat("left"), path, "before", 301)
        return path.read_bytes(), {n: (p[0], p[1]) for n, p in hand_points(truth, 1).items()}


@contextmanager
def one_core() -> Iterator[None]:
    """OpenCV and the whole process on one core, where the system can do that."""
    threads, cores = cv2.getNumThreads(), getattr(os, "sched_getaffinity", lambda _: None)(0)
    cv2.setNumThreads(1)
    if cores:
        os.sched_setaffinity(0, {min(cores)})
    try:
        yield
    finally:
        cv2.setNumThreads(threads)
        if cores:
            os.sched_setaffinity(0, cores)


def speed() -> list[Row]:
    """From the file's bytes to the pose, and its parts."""
    data, points = photograph()
    picture = decode_picture(data, "sole.jpg")
    heic = io.BytesIO()
    Image.fromarray(picture.grey).save(heic, "HEIF", quality=80)
    boards = find_boards(picture, SCALE_CARD.strips)
    prior = LensPrior.of_picture(picture.size_px, picture.focal_px)
    pixels = np.array(list(points.values()))
    plane = card_plane(picture)

    def whole(file: bytes) -> object:
        return measure_sole(decode_picture(file, "sole"), "left", points)

    with one_core():
        return [
            Row("12-megapixel JPEG to measured pose", seconds(lambda: whole(data)), "s", "≤ 1.0", "one core"),
            Row("the same as HEIC", seconds(lambda: whole(heic.getvalue())), "s", "≤ 1.0", "grey, made here"),
            Row("of it: decoding the JPEG", seconds(lambda: decode_picture(data, "sole.jpg")), "s"),
            Row("of it: markers and corners", seconds(lambda: find_boards(picture, SCALE_CARD.strips)), "s"),
            Row("of it: camera, lens and strips", seconds(
                lambda: fit_plane(boards, picture.size_px, prior, SCALE_CARD.print_scale)), "s"),
            Row("of it: points to the plane with covariance", seconds(lambda: plane.to_plane(pixels)), "s"),
            Row(f"Monte Carlo, {DRAWS} draws of the whole sole", seconds(
                lambda: sole_draws(plane.draws(pixels, DRAWS, 1, **HEIGHT), list(points))), "s", "≤ 1"),
        ]  # fmt: skip


def sole_draws(draws_mm: Floats, names: Sequence[str]) -> Floats:
    """(count, 4) length, x, z (mm) and rotation (deg) of a left cleat, from points (count, n, 2) of the plane."""
    at = {name: draws_mm[:, i] for i, name in enumerate(names)}
    forward = at["toe"] - at["heel_centre"]
    length = np.linalg.norm(forward, axis=1)
    forward /= length[:, None]
    lateral = np.column_stack(
        [-forward[:, 1], forward[:, 0]]
    )  # left sole from below: outward is to the right
    nose, tail = (
        np.column_stack([np.sum((at[k] - at["heel_centre"]) * axis, axis=1) for axis in (forward, lateral)])
        for k in ("cleat_nose", "cleat_tail")
    )
    centre, along = (nose + tail) / 2, nose - tail
    return np.column_stack([length, centre, np.degrees(np.arctan2(-along[:, 1], along[:, 0]))])


def propagation() -> list[Row]:
    """Linear propagation of a sole reading against draws: JCGM 101:2008, section 8 (one digit of u)."""
    data, points = photograph()
    names = [n for n in points if not n.startswith("axle")]
    pixels = np.array([points[n] for n in names])
    plane = card_plane(decode_picture(data, "sole.jpg"))
    seen = plane.to_plane(pixels, **HEIGHT)
    told = read_sole("left", names, seen.xy_mm, seen.covariance_mm2)
    assert told.cleat is not None
    linear = [told.length_mm, *told.cleat.measured().values()]
    drawn = sole_draws(plane.draws(pixels, DRAWS, 1, **HEIGHT), names)
    rows = []
    for m, values, what in zip(linear, drawn.T, READ, strict=True):
        ends = np.quantile(values, [0.025, 0.975])
        off = float(np.max(np.abs(ends - np.array(m.interval95))))
        tolerance = 0.5 * 10 ** np.floor(np.log10(m.u))
        rows.append(Row(f"{what}: ends of the 95 % interval differ by", off, m.unit, f"≤ {tolerance:g}",
                        f"u {m.u:.3f} {m.unit}, {DRAWS} draws; limit: JCGM 101, 8.1, one digit"))  # fmt: skip
    return rows


def calibration() -> list[Row]:
    """OpenCV's published sample pictures."""
    folder = outside_data("calibration-images")
    files, board = sorted(folder.glob("left*.jpg")), Chessboard(9, 6, 25.0)

    def pictures() -> Iterator[Picture]:
        return (read_picture(f) for f in files)

    small, large = calibrate(pictures(), board, 5), calibrate(pictures(), board, 11)
    return [
        Row("focal length, window 5 (published 532.76)", small.focal_px.value, "px", "531.76 to 533.76",
            f"± {Z95 * small.focal_px.u:.2f}; {len(files)} pictures"),
        Row("reprojection rms, window 5 (published 0.196)", small.rms_px, "px", "0.186 to 0.206"),
        Row("focal length, window 11 (published 535.92)", large.focal_px.value, "px", "534.92 to 536.92",
            f"proposed to leave out: {large.outlier or 'none'} (published as the outlier: left02)"),
        Row("rms with that picture left out", leave_out(large, [large.outlier]).rms_px, "px",
            f"≤ {large.rms_px:.3f}"),
        Row("time for all pictures", seconds(lambda: calibrate(pictures(), board, 5), 3), "s"),
    ]  # fmt: skip


MEASUREMENTS = (
    Measurement("photo-speed", "Photographs: time on one core", speed),
    Measurement("photo-propagation", "Photographs: propagation against Monte Carlo", propagation),
    Measurement("camera-calibration", "Cameras: calibration of published pictures", calibration),
)
