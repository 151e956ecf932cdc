"""What the pool renders: films and sole photographs with their truth and the points a hand would pick.

Runs in a process of its own. Files appear whole (written under another name, then renamed) and are kept: a demo
that was interrupted goes on where it stopped. `<file>.progress` tells how far a film is.
"""

from __future__ import annotations

import json
import os
import signal
import threading
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from fitwright.demo.film import render_clip
from fitwright.demo.hanging_photo import hanging_points, render_hanging
from fitwright.demo.riders import RIDERS, SimRider, SimSetup
from fitwright.demo.sole_photo import hand_points, render_sole
from fitwright.demo.truth import Truth, hand_marks

FILM_SECONDS = 12.0
MARK_AT_S = 1.3


def ends_with(parent: Connection) -> None:
    """Pool initialiser: this process ends as soon as the other end of `parent` is closed, in whatever way.

    Without it Ctrl-C would only break off the picture in hand, and a killed parent would leave the pool behind.
    """

    def wait() -> None:
        with suppress(EOFError, OSError):
            parent.recv()  # nothing is ever sent
        os._exit(0)

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=wait, daemon=True).start()


def clear_parts(folder: Path) -> None:
    """Take away what a run that was broken off had begun to write."""
    for pattern in (".*.part*", "*.progress"):
        for path in folder.rglob(pattern):
            path.unlink(missing_ok=True)


def write_json(path: Path, data: Any) -> None:
    """Whole or not at all."""
    part = path.with_name("." + path.name + ".part")
    part.write_text(json.dumps(data), encoding="utf-8")
    part.replace(path)


def film(key: str, setup: SimSetup, view: str, out: Path, seed: int, seconds: float = FILM_SECONDS) -> str:
    """Render one clip and the marks clicked in it, unless both are there."""
    marks = out.with_suffix(".points.json")
    if not (out.is_file() and marks.is_file()):
        progress = out.with_name(out.name + ".progress")
        truth = render_clip(
            RIDERS[key], setup, view, out, seconds=seconds, seed=seed,
            progress=lambda share: progress.write_text(f"{share:.3f}"),
        )  # fmt: skip
        write_json(marks, hand_marks(truth, MARK_AT_S, seed))
        progress.unlink(missing_ok=True)
    return out.name


def sole(rider: SimRider, setup: SimSetup, foot: str, which: str, out: Path, seed: int) -> str:
    """Render one sole photograph and the points picked in it, unless both are there."""
    points = out.with_suffix(".points.json")
    if not (out.is_file() and points.is_file()):
        truth: Truth = render_sole(rider, foot, setup.cleat_pose(foot), out, which, seed=seed)
        write_json(points, {"points": hand_points(truth, seed)})
    return out.name


def hanging(rider: SimRider, foot: str, out: Path, seed: int) -> str:
    """Render one photograph of a hanging foot and the points picked in it, unless both are there."""
    points = out.with_suffix(".points.json")
    if not (out.is_file() and points.is_file()):
        write_json(points, {"points": hanging_points(render_hanging(rider, foot, out, seed), seed)})
    return out.name
