"""The simulated input that the measurements share: one whole demo, rendered once and kept in bench/out.

The folder's name is a digest of the rooms that draw or measure, so that figures never come from pictures or results
of an older program; older folders are removed. A run that was interrupted goes on where it stopped.
"""

from __future__ import annotations

import ast
import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from fitwright.demo import render
from fitwright.demo.riders import RIDERS, SimRider
from fitwright.demo.truth import Truth

REPO = Path(__file__).resolve().parents[1]
OUT = REPO / "bench" / "out"
NOT_IN_DIGEST = ("web", "cli", "sheets")
SECONDS, REFERENCE_S = 12, 30
CHOSEN = "FITWRIGHT_BENCH_STUDIO"
"""Hands the folder on to processes that a measurement starts: the program may be edited while it runs."""


@dataclass(frozen=True)
class SimClip:
    """One rendered film: its file, rider, view ("side", "front") and moment."""

    path: Path
    rider: SimRider
    view: str
    when: str

    @property
    def marks(self) -> Path:
        """What the simulated hand clicked."""
        return self.path.with_suffix(".points.json")

    @property
    def truth(self) -> Truth:
        """What the film truly shows."""
        return Truth.load(self.path)

    @property
    def label(self) -> str:
        """For notes."""
        return f"{self.rider.key} rider {self.when}"


@lru_cache(maxsize=1)
def demo_studio() -> Path:
    """Folder of a studio in which the whole demo has run (both riders, films of 12 s); made when absent."""
    studio = Path(os.environ.setdefault(CHOSEN, str(OUT / _digest())))
    done = studio / "bench.json"
    if done.is_file():
        return studio
    OUT.mkdir(parents=True, exist_ok=True)
    for old in OUT.glob("demo-*"):
        if old != studio:
            shutil.rmtree(old, ignore_errors=True)
    fresh = not studio.exists()
    print("  (rendering and running the demo first; this takes minutes)", flush=True)
    started = time.monotonic()
    run_fitwright("demo", "--no-serve", "--seconds", str(SECONDS), "--studio", str(studio))
    took = time.monotonic() - started
    done.write_text(json.dumps({"demo_s": took if fresh else None}), encoding="utf-8")
    return studio


def run_fitwright(*arguments: str) -> None:
    """One command of `fitwright` in a process of its own; RuntimeError with its last words when it fails."""
    command = [sys.executable, "-c", "from fitwright.cli.main import main; main()", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=REPO)
    if done.returncode:
        raise RuntimeError(f"fitwright {arguments[0]} failed: {done.stderr.strip()[-400:]}")


def clips(view: str) -> list[SimClip]:
    """All films of one view that the demo rendered, in the order rider, before, after."""
    folder, name = demo_studio() / "demo", {"side": "side-right", "front": "front"}[view]
    found = [
        SimClip(path, rider, view, when)
        for key, rider in RIDERS.items() for when in ("before", "after")
        if (path := folder / key / f"{name}-{when}.mp4").is_file()
    ]  # fmt: skip
    if not found:
        raise RuntimeError(f"the demo left no {view} film in {folder}")
    return found


def half_minute(view: str) -> SimClip:
    """The first rider's film of one view as long as people film, marked as the demo marks; rendered when absent."""
    clip = clips(view)[0]
    path = clip.path.with_name(f"{clip.path.stem}-{REFERENCE_S}s.mp4")
    render.film(
        clip.rider.key, clip.rider.setup, view, path, int(clip.truth.data["seed"]), float(REFERENCE_S)
    )
    return SimClip(path, clip.rider, view, clip.when)


def longer(clip: SimClip, times: int) -> Path:
    """The same film several times end to end (packets copied, not coded again), for memory only."""
    import av

    path = clip.path.with_name(f"{clip.path.stem}-x{times}.mp4")
    if path.is_file():
        return path
    part = path.with_name(f".{path.name}")
    with av.open(str(part), "w", format="mp4", options={"video_track_timescale": "90000"}) as out:
        stream = None
        offset = 0
        for _ in range(times):
            with av.open(str(clip.path)) as source:
                video = source.streams.video[0]
                stream = stream or out.add_stream_from_template(video)
                last = 0
                for packet in source.demux(video):
                    if packet.pts is None:
                        continue
                    last = max(last, packet.pts)
                    packet.pts, packet.dts = packet.pts + offset, packet.dts + offset
                    packet.stream = stream
                    out.mux(packet)
                offset += last + round(1 / 60 / float(video.time_base))
    part.replace(path)
    return path


def open_studio_here() -> None:
    """Set Django up on the demo's studio, in this process."""
    os.environ["FITWRIGHT_STUDIO"] = str(demo_studio())
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fitwright.settings")
    import django
    from django.conf import settings

    django.setup()
    if Path(settings.STUDIO_DIR) != demo_studio():
        raise RuntimeError(f"this process has another studio open: {settings.STUDIO_DIR}")


def signed(values: Sequence[float], decimals: int = 2) -> str:
    """`+0.10, −0.02` for a note."""
    return ", ".join(f"{v:+.{decimals}f}" for v in values).replace("-", "−")


def _digest() -> str:
    rooms = {p.name for p in (REPO / "src" / "fitwright").iterdir()}
    return f"demo-{fingerprint(sorted(rooms - set(NOT_IN_DIGEST)))}"


def fingerprint(rooms: Sequence[str]) -> str:
    """Digest of the program text of some rooms (or single modules), in 12 hex digits."""
    home = REPO / "src" / "fitwright"
    files = [p for p in sorted(home.rglob("*.py")) if p.relative_to(home).parts[0] in rooms]
    return hashlib.sha256(b"".join(p.read_bytes() for p in files)).hexdigest()[:12]


def drawn_by(module: str) -> str:
    """Digest of one module and of all of its room that it imports, directly or through others, in 12 hex digits."""
    room, found, waiting = module.rpartition(".")[0], set[str](), [module]
    home = REPO / "src"
    while waiting:
        name = waiting.pop()
        path = home / f"{name.replace('.', '/')}.py"
        if name not in found and path.is_file():
            found.add(name)
            imports = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            waiting += [
                n.module
                for n in imports
                if isinstance(n, ast.ImportFrom) and n.module and n.module.startswith(room)
            ]
    files = [home / f"{name.replace('.', '/')}.py" for name in sorted(found)]
    return hashlib.sha256(b"".join(p.read_bytes() for p in files)).hexdigest()[:12]
