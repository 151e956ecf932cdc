"""Film: how long a point put right by hand takes, from the request's work to the new result on record.

A copy of the demo's records is spoiled first: for half a second a point lies beside its marker, or is lost, as a
wrong following leaves it. The corrections are made in a process of its own, as the studio's server makes them.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from bench.measurement import Measurement, Row
from bench.simulated import SECONDS, demo_studio

LABEL = ("side right", "before")
WRONG_S, BESIDE_PX, HAND_OFF_PX = 0.5, 25.0, (1.5, -1.0)
CORRECTIONS = (
    ("lateral_malleolus", 0.3, "beside"), ("greater_trochanter", 2.3, "beside"), ("pedal_axle", 3.5, "beside"),
    ("acromion", 5.1, "lost"), ("heel", 6.6, "beside"), ("lateral_malleolus", 7.9, "lost"),
    ("fifth_metatarsal", 9.2, "beside"), ("pedal_axle", 10.5, "lost"), ("lateral_femoral_condyle", 11.7, "beside"),
)  # fmt: skip
"""Point, time in s, what is wrong there."""


def put_right() -> list[Row]:
    """Nine corrections over the film, after a first one that starts the program's parts."""
    with tempfile.TemporaryDirectory() as folder:
        studio = Path(folder)
        for records in demo_studio().glob("fitwright.sqlite3*"):
            shutil.copy(records, studio)
        (studio / "media").symlink_to(demo_studio() / "media")
        done = subprocess.run(
            [sys.executable, "-m", "bench.correct", str(studio)], capture_output=True, text=True, check=False
        )
    if done.returncode:
        raise RuntimeError(done.stderr.strip()[-400:])
    first, *rest = json.loads(done.stdout.splitlines()[-1])
    clock, cpu = [r["clock_s"] for r in rest], [r["cpu_s"] for r in rest]
    worst = max(rest, key=lambda r: r["clock_s"])
    told = (
        f"{len(rest)} places, {WRONG_S} s wrong at each; {SECONDS} s of 1080p at 60 frames/s, from the side"
    )
    return [
        Row("a point put right, until the new result is on record", median(clock), "s", "≤ 1", told),
        Row("the slowest of them", max(clock), "s", "≤ 1", f"{worst['name']} at {worst['at_s']} s".replace("_", " ")),
        Row("the first after the studio's start", first["clock_s"], "s", "", "the film's page was open"),
        Row("the same median in processor time", median(cpu), "s", "", "of both processors together"),
        Row("decoding and following of it", median(r["repair_s"] for r in rest), "s", "", "the rest is reading the "
            "whole ride again"),
        Row("largest error left where it was wrong", max(r["off_px"] for r in rest), "px", "≤ 1", "from the places "
            "before they were spoiled"),
    ]  # fmt: skip


def main() -> None:
    """In a process of its own: print the times as JSON."""
    os.environ["FITWRIGHT_STUDIO"] = sys.argv[1]
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fitwright.settings")
    import django
    from django.core.management import call_command

    django.setup()
    call_command("migrate", verbosity=0)
    from fitwright.demo.riders import RIDERS
    from fitwright.records.models import Visit
    from fitwright.studio import corrections
    from fitwright.studio.visits import analysis
    from fitwright.vision.tracks import Tracks

    visit = Visit.objects.get(rider__name=RIDERS["first"].name)
    row = analysis(visit, "ride", " ".join(LABEL))
    assert row is not None
    good = Tracks.from_json(row.result["tracks"])
    corrections.get_ready().join()
    told = [_one(visit, row, good, *c) for c in (CORRECTIONS[0], *CORRECTIONS)]
    print(json.dumps(told))


def _one(visit: Any, row: Any, good: Any, name: str, at_s: float, wrong: str) -> dict[str, Any]:
    """Spoil the record and put it right."""
    from fitwright.studio import corrections as studio
    from fitwright.studio import mend
    from fitwright.studio.visits import analyse, analysis
    from fitwright.vision.tracks import Tracks

    i, k = good.names.index(name), int(np.argmin(np.abs(good.time_s - at_s)))
    spoiled = np.flatnonzero(np.abs(good.time_s - at_s) <= WRONG_S / 2)
    result = json.loads(json.dumps(row.result))
    for column, values in result["tracks"]["points"][name].items():
        for n in spoiled:
            if wrong == "lost":
                values[n] = None
            elif column == "u" and values[n] is not None:
                values[n] += BESIDE_PX
    bad = analyse(visit, "ride", row.label, result, medium=row.medium, inputs=row.inputs)
    u, v = good.upright_px[k, i] + HAND_OFF_PX
    spent: list[float] = []
    plain = mend.repair

    def timed(*args: Any, **kw: Any) -> Tracks:
        since = time.perf_counter()
        made = plain(*args, **kw)
        spent.append(time.perf_counter() - since)
        return made

    mend.repair = timed
    try:
        clock, cpu = time.perf_counter(), time.process_time()
        studio.correct(visit, *LABEL, name, float(good.time_s[k]), (float(u), float(v)), bad.pk)
        clock, cpu = time.perf_counter() - clock, time.process_time() - cpu
    finally:
        mend.repair = plain
    now = analysis(visit, "ride", row.label)
    assert now is not None
    mended = Tracks.from_json(now.result["tracks"])
    off = np.hypot(*(mended.uv_px[spoiled, i] - good.uv_px[spoiled, i]).T)
    off = np.where(np.isfinite(good.uv_px[spoiled, i, 0]), np.nan_to_num(off, nan=np.inf), 0.0)
    return {
        "name": name, "at_s": at_s, "clock_s": clock, "cpu_s": cpu, "repair_s": spent[0], "off_px": float(off.max())
    }  # fmt: skip


MEASUREMENTS = (Measurement("film-correct", "Film: a point put right by hand", put_right),)

if __name__ == "__main__":
    main()
