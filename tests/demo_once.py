"""The whole demo, run once for all tests that look at it: broken off by Ctrl-C early on, then run to its end."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SECONDS = "6"
HANG_S = 60  # an interrupted demo that is not gone by then, with everything it started, hangs
WHOLE_S = 1800
COMMAND = (sys.executable, "-c", "from fitwright.cli.main import main; main()")


@dataclass(frozen=True)
class Ended:
    """How a run ended."""

    code: int
    out: str
    err: str


@dataclass(frozen=True)
class DemoStudio:
    """A finished demo studio.

    Attributes:
        folder: the studio. told: what `demo --json` printed. broken_off: how the interrupted run ended.
        left: sizes of the files that the interrupted run left, by path in the studio.
    """

    folder: Path
    told: dict[str, Any]
    broken_off: Ended
    left: dict[str, int]

    def rows(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        """What the studio's database holds."""
        database = sqlite3.connect(self.folder / "fitwright.sqlite3")
        try:
            return database.execute(query, values).fetchall()
        finally:
            database.close()

    def result(self, rider: str, kind: str, label: str) -> Any:
        """A result on record, e.g. ("first", "sole", "left before")."""
        query = "select result from records_analysis where visit_id = ? and kind = ? and label = ?"
        ((text,),) = self.rows(query, self.told["visits"][rider]["id"], kind, label)
        return json.loads(text)

    def truth(self, rider: str, picture: str) -> Any:
        """What is true of a simulated picture, e.g. ("first", "side-right-before.mp4")."""
        return json.loads((self.folder / "demo" / rider / f"{picture}.truth.json").read_text("utf-8"))

    def document(self, rider: str, name: str) -> Path:
        """A written document."""
        return self.folder / "demo" / rider / "documents" / name


def fitwright(*words: str, studio: Path, data: Path | None = None, timeout: float = WHOLE_S) -> Ended:
    """Run the command as a user does, in a process of its own."""
    done = subprocess.run(
        [*COMMAND, *words, "--studio", str(studio)], capture_output=True, text=True, timeout=timeout,
        env=surroundings(data), cwd=studio.parent, check=False,
    )  # fmt: skip
    return Ended(done.returncode, done.stdout, done.stderr)


def surroundings(data: Path | None) -> dict[str, str]:
    """The environment without the tests' own studio; `data` is the folder of open recordings."""
    own = {"FITWRIGHT_OUTSIDE_DATA": str(data or "no-such-folder"), "PYTHONIOENCODING": "utf-8"}
    return {k: v for k, v in os.environ.items() if k != "FITWRIGHT_STUDIO"} | own


def break_off(studio: Path) -> Ended:
    """Start the demo and press Ctrl-C when its first photograph has been measured.

    A job that a shell started in the background ignores Ctrl-C and hands that on; a user's terminal does not.
    """
    process = subprocess.Popen(
        [*COMMAND, "demo", "--no-serve", "--seconds", SECONDS, "--studio", str(studio)], env=surroundings(None),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=studio.parent, start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    assert process.stdout is not None
    told = []
    try:
        for line in process.stdout:
            told.append(line)
            if line.lstrip().startswith("done "):
                break
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all of them
        out, err = process.communicate(
            timeout=HANG_S
        )  # ends when the last process that writes there has ended
    except BaseException:
        os.killpg(process.pid, signal.SIGKILL)
        raise
    return Ended(process.returncode, "".join(told) + out, err)


def make_demo_studio(folder: Path, data: Path | None) -> DemoStudio:
    """Run the demo as the module says."""
    studio = folder / "studio"
    broken_off = break_off(studio)
    left = {p.relative_to(studio).as_posix(): p.stat().st_size for p in studio.rglob("*") if p.is_file()}
    ended = fitwright("demo", "--no-serve", "--seconds", SECONDS, "--json", studio=studio, data=data)
    assert ended.code == 0, ended.err
    return DemoStudio(studio, json.loads(ended.out), broken_off, left)
