"""What a measurement is, and the few tools that measurements share."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median

import numpy as np

from fitwright.quantity import Floats


@dataclass(frozen=True)
class Row:
    """One figure.

    Attributes:
        limit: "≤ 0.5", "≥ 150", "85 to 100", or "" (then the figure is only shown). note: how to read it.
    """

    name: str
    value: float
    unit: str
    limit: str = ""
    note: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the limit is met; None without a limit."""
        numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?(?:e-?\d+)?", self.limit)]
        if not numbers:
            return None
        if self.limit.startswith("≤"):
            return self.value <= numbers[0]
        if self.limit.startswith("≥"):
            return self.value >= numbers[0]
        return numbers[0] <= self.value <= numbers[1]


@dataclass(frozen=True)
class Measurement:
    """A named measurement.

    Attributes:
        name: as given on the command line. title: heading in the document. run: gives the rows, or raises
            `Unavailable` with the reason.
    """

    name: str
    title: str
    run: Callable[[], Sequence[Row]]


def rms(values: Sequence[float] | Floats) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


class Unavailable(Exception):  # noqa: N818 - no error: this machine lacks what the measurement needs
    """The measurement cannot run here; the message says why."""


def outside_data(name: str) -> Path:
    """A folder or file of the open data; `Unavailable` where it is not."""
    default = Path(__file__).resolve().parents[2] / "shared" / "data"
    path = Path(os.environ.get("FITWRIGHT_OUTSIDE_DATA") or default) / name
    if not path.exists():
        raise Unavailable("the open data is not here (FITWRIGHT_OUTSIDE_DATA names its folder)")
    return path


def seconds(function: Callable[[], object], repeats: int = 5) -> float:
    """Median wall time of a call, after one call that is not counted."""
    function()
    spent = []
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        spent.append(time.perf_counter() - start)
    return median(spent)


def in_fresh_process(function: str, *arguments: str) -> dict[str, float]:
    """Run `package.module:function` in a process of its own, with text arguments.

    Returns:
        {"seconds", "peak_mb", "start_mb", "growth_mb"}: wall time of the call, peak resident memory of the process,
        what it had before the call (imports done), and the difference. Memory is NaN where the system does not tell.
    """
    command = [sys.executable, "-m", "bench.fresh", function, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(
            f"{function} failed: {done.stderr.strip().splitlines()[-1] if done.stderr else '?'}"
        )
    return dict(json.loads(done.stdout.splitlines()[-1]))


def as_json(rows: Sequence[Row]) -> list[dict[str, object]]:
    """Rows as plain data."""
    return [asdict(r) for r in rows]
