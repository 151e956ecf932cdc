"""A large studio with invented people for `bench.records`: filled with plain SQL, once, and kept in bench/out.

`python -m bench.large_studio` fills the studio that FITWRIGHT_STUDIO names, in a process of its own.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from bench.simulated import OUT, REPO, fingerprint

RIDERS, VISITS, MEASURED = 10_000, 60_000, 2_000_000
RIDES_OF, RIDE_BYTES = 12, 500_000
"""Visits of the one rider who was filmed at each, and about how large such a ride's record is."""
SCRIPTS = tuple(parts.split() for parts in (
    "an mar jo edda lin tor bel rou sén ka mi vél gün hol ström øy ska łu cja",
    "ан мар ёл ки на во рис тат яна ле ва жу",
    "αθ ην ά βα σι λί κη παπ πάς νί κος", "مح مد عب دال له فا طمة حس ين يو سف", "יע ל בן דוד שר ה רח ל מש ה",
    "王 李 张 刘 陈 杨 黄 赵 周 吴 小 明 伟 芳 娜 秀 英 敏 静",
))  # fmt: skip
SHARE = (0.62, 0.12, 0.06, 0.08, 0.04, 0.08)
BODY = {"height_mm": 1750.0, "inseam_mm": 810.0, "mass_kg": 72.0, "thigh_mm": 408.0, "shank_mm": 416.0,
        "torso_mm": 527.0, "upper_arm_mm": 292.0, "forearm_mm": 261.0}  # fmt: skip
SIDED = {"hanging_foot_deg": 8.0, "foot_breadth_mm": 100.0, "ball_length_mm": 190.0, "tibial_torsion_deg": 26.0,
         "forefoot_angle_deg": 5.0}  # fmt: skip
BIKE = {"saddle_height_mm": 718.0, "saddle_setback_mm": 200.0, "saddle_tilt_deg": 0.0, "hood_x_mm": 500.0,
        "hood_y_mm": 620.0, "crank_mm": 172.5, "q_factor_mm": 148.0, "pedal_offset_mm": 53.0}  # fmt: skip
TALK = {"hours_per_week": 8.0, "years_riding": 9.0}
PAINS = ("lower_back", "knee_left", "knee_right", "saddle_region", "hand_left", "neck")


def large_studio() -> Path:
    """Folder of the large studio; made when absent (a minute or two)."""
    studio = OUT / f"records-{fingerprint(['records'])}"
    if (studio / "large.json").is_file():
        return studio
    OUT.mkdir(parents=True, exist_ok=True)
    for old in OUT.glob("records-*"):
        shutil.rmtree(old, ignore_errors=True)
    print("  (filling a large studio first)", flush=True)
    env = os.environ | {"FITWRIGHT_STUDIO": str(studio), "DJANGO_SETTINGS_MODULE": "fitwright.settings"}
    subprocess.run([sys.executable, "-m", "bench.large_studio"], check=True, cwd=REPO, env=env)
    return studio


def names(count: int, rng: np.random.Generator) -> Iterator[str]:
    """Invented names in six scripts."""
    for script in rng.choice(len(SCRIPTS), count, p=SHARE):
        parts = SCRIPTS[script]
        if len(parts[0]) == 1:  # a family name and one or two signs
            yield "".join(rng.choice(parts, 3))
            continue
        yield " ".join("".join(rng.choice(parts, 2 + (k > 0))).capitalize() for k in range(2))


def fill() -> None:
    """Write the whole studio in the database that the settings name."""
    import django

    django.setup()
    from django.db import connection, transaction

    from fitwright.records.models import Bike, Rider
    from fitwright.studio.house import open_studio

    rng = np.random.default_rng(20260514)
    open_studio("A large invented studio", simulated=True)
    with transaction.atomic():
        Rider.objects.bulk_create(
            [
                Rider(name=n, born_year=int(rng.integers(1945, 2008)), simulated=True)
                for n in names(RIDERS, rng)
            ],
            1000,
        )
        Bike.objects.bulk_create([Bike(rider_id=r + 1, name=f"bike {r}") for r in range(RIDERS)], 1000)
        with connection.cursor() as cursor:
            for table, rows in tables(rng):
                batch = list(rows)
                columns = ", ".join(batch[0])
                marks = ", ".join(["?"] * len(batch[0]))
                cursor.cursor.connection.executemany(
                    f"INSERT INTO records_{table} ({columns}) VALUES ({marks})",
                    [tuple(r.values()) for r in batch],
                )
    told = {"riders": RIDERS, "visits": VISITS, "filmed_rider": RIDERS, "filmed_visit": VISITS}
    Path(os.environ["FITWRIGHT_STUDIO"], "large.json").write_text(json.dumps(told), "utf-8")


def tables(rng: np.random.Generator) -> Iterator[tuple[str, Iterator[dict[str, Any]]]]:
    """(table, its rows) in pieces; the last rider came `RIDES_OF` times and was filmed each time."""
    now = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
    minutes = np.sort(rng.integers(0, 8 * 365 * 24 * 60, VISITS))[::-1]
    owners = rng.integers(1, RIDERS, VISITS)
    owners[-RIDES_OF:] = RIDERS
    when = [str(now - timedelta(minutes=int(m))) for m in minutes]
    met_again = zip(rng.choice(VISITS, 400, replace=False), rng.integers(-90, 90, 400), strict=True)
    due = {int(v): str((now + timedelta(days=int(d))).date()) for v, d in met_again}
    yield "visit", (
        {"id": v + 1, "rider_id": int(owners[v]), "bike_id": int(owners[v]), "title": f"visit {v}", "use": "road",
         "simulated": 1, "opened_at": when[v], "version": 30, "follow_up_on": due.get(v)}
        for v in range(VISITS)
    )  # fmt: skip
    per_visit = _measured()
    size = 5000
    for first in range(0, VISITS, size):
        rows = [
            ({"visit_id": v + 1, "created_at": when[v], "author": ""}, v) for v in range(first, first + size)
        ]
        yield (
            "measurement",
            (
                row | m | {"value": m["value"] + float(rng.normal(0, m["u"]))}
                for row, _ in rows
                for m in per_visit
            ),
        )
        yield "answer", (
            row | {"station": station, "key": key, "value": json.dumps(value)}
            for row, v in rows for station, key, value in _said(v, row["created_at"])
        )  # fmt: skip
        yield "rating", (
            row | {"kind": "pain", "site": s, "moment": "arrived", "value": int(rng.integers(0, 9)), "withdrawn": 0}
            for row, _ in rows for s in PAINS
        )  # fmt: skip
    filmed = range(VISITS - RIDES_OF, VISITS)
    yield "analysis", (
        {"visit_id": v + 1, "created_at": when[v], "author": "", "kind": "ride", "label": f"{view} before",
         "program_version": "bench", "inputs": "{}", "result": json.dumps(ride(view, rng))}
        for v in filmed for view in ("side right", "front")
    )  # fmt: skip


def _said(visit: int, when: str) -> Iterator[tuple[str, str, Any]]:
    yield "intake", "goal", f"ride {visit % 300} km without a sore back"
    yield "intake", "consent", True
    yield "handover", "follow_up", when[:10]


def _measured() -> list[dict[str, Any]]:
    """The measurements that each visit has, about `MEASURED / VISITS` of them."""
    known = [("body", k, "", v) for k, v in BODY.items()] + [("bike", k, "", v) for k, v in BIKE.items()]
    known += [("intake", k, "", v) for k, v in TALK.items()]
    known += [("body", k, side, v) for k, v in SIDED.items() for side in ("left", "right")]
    wanted = -(-MEASURED // VISITS)
    known += [("feet", f"stay_{n}_mm", "", 90.0) for n in range(wanted - len(known))]
    return [
        {"station": station, "key": key, "side": side, "value": value, "u": 0.5 if key == "crank_mm" else 1.0,
         "unit": "deg" if key.endswith("deg") else "mm", "method": "ruler or tape", "readings": "[]", "withdrawn": 0}
        for station, key, side, value in known
    ]  # fmt: skip


def ride(view: str, rng: np.random.Generator) -> dict[str, Any]:
    """A ride's record of ordinary size: its figures, its curves, and the tracks that nobody reads here."""

    def value(mean: float, unit: str) -> dict[str, Any]:
        return {
            "value": mean + float(rng.normal(0, 1.5)),
            "u": 0.6,
            "unit": unit,
            "method": "film, simulated",
        }

    knee = {"bdc": value(38, "deg"), "min": value(36, "deg"), "max": value(110, "deg")}
    path = {"knee_path_mm": {"q90": value(9, "mm"), "top": value(4, "mm")}}
    side = {"right": {"knee_flexion_deg": knee, "trunk_inclination_deg": {"mean": value(44, "deg")}}}
    quantities = {"left": path, "right": path} if view == "front" else side
    turn = np.round(60 + 30 * np.cos(np.deg2rad(np.arange(360))), 4).tolist()
    curve = {"unit": "deg", "cycles": 40, "mean": turn, "sd": [1.0] * 360, "u": [1.0] * 360}
    curves = {"knee_path": curve} if view == "front" else {"knee_flexion": curve, "hip_flexion": curve}
    known = {
        "view": "front" if view == "front" else "side", "cadence_rpm": value(85, "rpm"), "cycles": {"right": 40},
        "quantities": quantities, "curves": {"right": curves}, "method": {}, "quality": {}, "notes": [],
    }  # fmt: skip
    padding = np.round(rng.uniform(0, 1900, RIDE_BYTES // 9), 2).tolist()
    return {"ride": known, "tracks": {"time_s": [0.0], "uv_px": padding}}


if __name__ == "__main__":
    fill()
