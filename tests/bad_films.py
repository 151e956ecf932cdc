"""Films that go wrong in one way each: a simulated rider's leg in discs, two seconds of it, drawn in a moment."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from io import BytesIO
from pathlib import Path

import av
import numpy as np
from bench.drawn import Film, draw, film_to
from PIL import Image

from counted_film import CENTRE_PX, MM_PER_PX, SHOULDER_MM
from simulated_side import LEG_POINTS, leg_at, theta_of

RPM = 100.0
TIMES_S = np.arange(138) / 60
MARKED_S, STOPS_S, PUSHED_S = 0.2, 2.3, 1.5
Path2 = Callable[[np.ndarray], np.ndarray]
Angle = Callable[[np.ndarray], np.ndarray]


def rider(
    theta: Angle = lambda t: theta_of(t, RPM), centre: tuple[float, float] = CENTRE_PX, way: float = 1.0,
    moved_px: Path2 = lambda t: np.zeros((t.size, 2)),
) -> dict[str, Path2]:  # fmt: skip
    """name → path of the disc of a rider seen from the right; `way` −1 is the mirrored film.

    Args:
        theta: crank angle by time, rad. moved_px: how far the camera's picture is shifted by then.
    """

    def at(name: str) -> Path2:
        def path(t: np.ndarray) -> np.ndarray:
            mm = leg_at(theta(t))[name] if name != "acromion" else np.tile(SHOULDER_MM, (t.size, 1))
            return np.array(centre) + mm * np.array([way, -1.0]) / MM_PER_PX + moved_px(t)

        return path

    return {n: at(n) for n in (*LEG_POINTS, "heel", "acromion")}


def marks(paths: Mapping[str, Path2], at_s: float = MARKED_S) -> dict:
    """The points as somebody marks them in one frame."""
    return {
        "time_s": at_s,
        "points": {n: [float(x) for x in p(np.array([at_s]))[0]] for n, p in paths.items()},
    }


def write(folder: Path, name: str, film: Film) -> Path:
    """The film and, beside it, its points."""
    path = film_to(folder / name, film)
    named = {n: p for n, p in film.discs.items() if not n.startswith("other")}
    path.with_suffix(".json").write_text(json.dumps(marks(named)), "utf-8")
    return path


def good(folder: Path) -> Path:
    """Nothing is wrong with it, but that it is short."""
    return write(folder, "good.mp4", Film(rider(), TIMES_S))


def portrait(folder: Path) -> Path:
    """Held upright: the sensor lay on its side, and a tag in the file says so."""
    width, height = 360, 640
    upright = rider(centre=(165.0, 520.0))
    turned = {
        n: (lambda t, p=p: np.column_stack([p(t)[:, 1], width - 1 - p(t)[:, 0]])) for n, p in upright.items()
    }
    path = film_to(folder / "portrait.mp4", Film(turned, TIMES_S, size=(height, width), rotation=-90))
    path.with_suffix(".json").write_text(json.dumps(marks(upright)), "utf-8")
    return path


def mirrored(folder: Path) -> Path:
    """The rider goes to the left: the other side was filmed."""
    return write(folder, "mirrored.mp4", Film(rider(way=-1.0, centre=(340.0, CENTRE_PX[1])), TIMES_S))


def stopping(folder: Path) -> Path:
    """The rider stops pedalling after four turns."""

    def until(t: np.ndarray) -> np.ndarray:
        after = np.maximum(t - STOPS_S, 0.0)
        return theta_of(np.minimum(t, STOPS_S) + 0.2 * (1 - np.exp(-after / 0.2)), RPM)

    return write(folder, "stopping.mp4", Film(rider(until), np.arange(240) / 60))


def two_turns(folder: Path) -> Path:
    """Two turns of the crank."""
    return write(folder, "two-turns.mp4", Film(rider(), TIMES_S[:72]))


def moving_camera(folder: Path) -> Path:
    """The tripod is pushed aside within a third of a second; two points of floor and wall are marked."""

    def pushed(t: np.ndarray) -> np.ndarray:
        return np.column_stack([14.0 * np.clip((t - PUSHED_S) / 0.33, 0, 1), 0.0 * t])

    still = {f"fixed_{k}": (lambda t, c=c: np.tile(c, (t.size, 1)) + pushed(t))
             for k, c in ((1, (60.0, 330.0)), (2, (570.0, 60.0)))}  # fmt: skip
    return write(folder, "moving-camera.mp4", Film(rider(moved_px=pushed) | still, np.arange(200) / 60))


def two_riders(folder: Path) -> Path:
    """A second rider with the same stickers pedals beside the first."""
    second = {f"other {n}": p for n, p in rider(lambda t: theta_of(t, 70.0), (520.0, 292.0)).items()}
    return write(folder, "two-riders.mp4", Film(rider(centre=(200.0, 292.0)) | second, TIMES_S))


def dark(folder: Path) -> Path:
    """The lens is covered."""
    return write(folder, "dark.mp4", Film(rider(), TIMES_S[:60], gain=lambda t: 0.02, noise=0.5))


def slow(folder: Path) -> Path:
    """Fifteen frames a second."""
    return write(folder, "slow.mp4", Film(rider(), np.arange(40) / 15))


def coarse(folder: Path) -> Path:
    """Twenty-five frames a second: readable, too coarse for the cadence."""
    return write(folder, "coarse.mp4", Film(rider(), np.arange(60) / 25))


def white(folder: Path) -> Path:
    """A window behind the rider: much of the picture is burnt out."""

    def before_window(
        film: Film, time_s: float, background: np.ndarray, rng: np.random.Generator
    ) -> np.ndarray:
        lit = background.copy()
        lit[:, 430:] = 400.0
        return draw(film, time_s, lit, rng)

    path = film_to(folder / "white.mp4", Film(rider(), TIMES_S), drawn=before_window)
    path.with_suffix(".json").write_text(json.dumps(marks(rider())), "utf-8")
    return path


def smeared(folder: Path) -> Path:
    """A long exposure: 1/90 s."""
    return write(folder, "smeared.mp4", Film(rider(), TIMES_S, exposure_s=1 / 90))


def mixed_legs(folder: Path) -> Path:
    """Hip, knee and ankle of this leg, the pedal and shoe of the other one."""
    other = {f"other {n}": p for n, p in rider(lambda t: theta_of(t, RPM) + np.pi).items() if n != "acromion"}
    path = write(folder, "mixed-legs.mp4", Film(rider() | other, TIMES_S))
    own = marks(rider())["points"]
    far = marks({n: other[f"other {n}"] for n in ("pedal_axle",)})["points"]
    path.with_suffix(".json").write_text(json.dumps({"time_s": MARKED_S, "points": own | far}), "utf-8")
    return path


def uneven(folder: Path) -> Path:
    """A variable frame rate, as telephones film."""
    steps = np.random.default_rng(2).choice([1, 1, 1, 2], size=150) / 60
    return write(folder, "uneven.mp4", Film(rider(), np.cumsum(steps)))


def torn(folder: Path) -> Path:
    """Its last part is missing; the container needs no index at its end."""
    whole = write(folder, "torn.mkv", Film(rider(), np.arange(200) / 60))
    whole.write_bytes(whole.read_bytes()[: int(0.75 * whole.stat().st_size)])
    return whole


def large(folder: Path) -> Path:
    """3840 × 2160 px: the small film enlarged, one pixel to six by six."""
    small, path = good(folder), folder / "large.mp4"
    with av.open(str(small)) as source, av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = 3840, 2160, "yuv420p"
        stream.options = {"crf": "20", "preset": "ultrafast"}
        for frame in source.decode(video=0):
            big = frame.reformat(width=3840, height=2160)
            out.mux(stream.encode(big))
        out.mux(stream.encode(None))
    told = json.loads(small.with_suffix(".json").read_text("utf-8"))
    told["points"] = {n: [6 * u + 2.5, 6 * v + 2.5] for n, (u, v) in told["points"].items()}
    path.with_suffix(".json").write_text(json.dumps(told), "utf-8")
    return path


def ten_minutes(folder: Path) -> Path:
    """Ten minutes long: two seconds of film, their packets written again and again."""
    part, path = good(folder), folder / "ten-minutes.mp4"
    with av.open(str(path), "w") as out:
        stream = None
        for k in range(262):
            with av.open(str(part)) as source:
                video = source.streams.video[0]
                stream = stream or out.add_stream_from_template(video)
                step = round(float(TIMES_S[-1] + 1 / 60) / video.time_base)
                for packet in source.demux(video):
                    if packet.dts is not None:
                        packet.pts, packet.dts, packet.stream = (
                            packet.pts + k * step,
                            packet.dts + k * step,
                            stream,
                        )
                        out.mux(packet)
    path.with_suffix(".json").write_text(part.with_suffix(".json").read_text("utf-8"), "utf-8")
    return path


def no_films(good: Path) -> dict[str, bytes]:
    """Files that call themselves films: name → what is in them, cut and spoilt from a good one."""
    whole, picture = good.read_bytes(), BytesIO()
    Image.new("RGB", (64, 48), "grey").save(picture, "JPEG")
    return {
        "head.mp4": bytes(64) + whole[64:], "cut.mp4": whole[: int(0.6 * len(whole))],
        "tail.mp4": whole[:-400] + bytes(400), "empty.mp4": b"", "picture.mp4": picture.getvalue(),
        "words.mp4": b"words " * 99,
    }  # fmt: skip


NO_FILMS = {
    "head.mp4": "is not a film that can be read", "cut.mp4": "or its end (with the index) is missing",
    "tail.mp4": "holds no frame that can be read", "empty.mp4": "empty", "picture.mp4": "is a picture, not a film",
    "words.mp4": "is not a film that can be read",
}  # fmt: skip
"""What is said of each of them, by the page and by the command."""


def knee_least_deg() -> float:
    """Least knee flexion of the rider in all these films, deg."""
    at = leg_at(np.radians(np.arange(0, 360, 0.5)))
    thigh, shank = (
        at[n] - at["lateral_femoral_condyle"] for n in ("greater_trochanter", "lateral_malleolus")
    )
    cosine = (thigh * shank).sum(1) / np.linalg.norm(thigh, axis=1) / np.linalg.norm(shank, axis=1)
    return float((180 - np.degrees(np.arccos(cosine))).min())


def made(name: str, base: Path) -> Path:
    """The film of this name, drawn once in a test run; a copy of its own for each caller is not needed."""
    folder = base / "bad-films" / name
    if not folder.is_dir():
        part = base / f"{name}-{os.getpid()}"
        part.mkdir()
        globals()[name](part)
        folder.parent.mkdir(exist_ok=True)
        part.replace(folder)
    return next(
        p for p in folder.iterdir() if p.suffix in (".mp4", ".mkv") and p.stem == name.replace("_", "-")
    )
