"""The document: figures kept as JSON, from which docs/performance.md is written anew each time."""

from __future__ import annotations

import json
import math
import os
import platform
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parents[1] / "docs"
FIGURES, DOCUMENT = DOCS / "performance.json", DOCS / "performance.md"
INTRODUCTION = """# Performance

Written by `make bench` (one part alone: `python -m bench NAME`); do not edit. "Simulated" figures come from invented
riders whose truth is known. Times are medians on the machine named in each part and vary by about ten per cent from
run to run. A limit is what we want to reach; where it is missed, the table says so.
"""


def machine() -> str:
    """Processor, cores, system and versions; nothing that names the computer or its owner."""
    cpu = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.is_file():
        models = [
            ln.split(":", 1)[1].strip() for ln in info.read_text().splitlines() if ln.startswith("model name")
        ]
        cpu = models[0] if models else cpu
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    libraries = ", ".join(
        f"{name} {version(name)}" for name in ("numpy", "scipy", "opencv-python-headless", "av")
    )
    return f"{cpu}, {cores} cores, {platform.system()}, Python {platform.python_version()}, {libraries}"


def figure(value: float) -> str:
    """Three significant digits, without exponents for everyday sizes."""
    if not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    if not 1e-3 <= abs(value) < 1e6:
        return f"{value:.2e}"
    decimals = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}"


def stored() -> dict[str, Any]:
    """Figures of earlier runs, by measurement."""
    return json.loads(FIGURES.read_text("utf-8")) if FIGURES.is_file() else {}


def keep(name: str, title: str, rows: list[dict[str, Any]], skipped: str = "") -> dict[str, Any]:
    """One measurement's entry: its rows, when and on what."""
    now = datetime.now(UTC).date().isoformat()
    return {"title": title, "command": f"python -m bench {name}", "date": now, "machine": machine(), "rows": rows,
            "skipped": skipped}  # fmt: skip


def write(figures: dict[str, Any], order: list[str]) -> None:
    """Write both files; parts that no longer exist are dropped."""
    figures = {name: figures[name] for name in order if name in figures}
    FIGURES.write_text(json.dumps(figures, ensure_ascii=False, indent=1) + "\n", "utf-8")
    DOCUMENT.write_text(INTRODUCTION + "".join(_part(entry) for entry in figures.values()), "utf-8")


def _part(entry: dict[str, Any]) -> str:
    head = f"\n## {entry['title']}\n\n`{entry['command']}`, {entry['date']}; {entry['machine']}.\n\n"
    if entry["skipped"]:
        return head + f"Not measured: {entry['skipped']}\n"
    lines = ["| figure | value | limit | | note |", "|---|---:|---:|---|---|"]
    for row in entry["rows"]:
        value = f"{figure(row['value'])} {row['unit']}".strip()
        verdict = {None: "", True: "met", False: "**missed**"}[row["met"]]
        lines.append(f"| {row['name']} | {value} | {row['limit']} | {verdict} | {row['note']} |")
    return head + "\n".join(lines) + "\n"
