"""The document: figures kept as JSON, from which docs/performance.md is written anew each time."""

from __future__ import annotations

import json
import math
import os
import platform
import re
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parents[1] / "docs"
FIGURES, DOCUMENT = DOCS / "performance.json", DOCS / "performance.md"
QUOTED = re.compile(r"<!--fig ([\w-]+): (.+?)-->(.*?)<!---->")
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
    for page in DOCS.rglob("*.md"):
        text = page.read_text("utf-8")
        filled = filled_in(text, figures)
        if filled != text:
            page.write_text(filled, "utf-8")


def filled_in(text: str, figures: dict[str, Any]) -> str:
    """The text of a document with every figure it quotes put in anew, so that prose never tells an older one.

    A quoted figure is written `<!--fig PART: ROW-->0.15 mm<!---->`; one that was never measured is left as it stands.
    """

    def quoted(match: re.Match[str]) -> str:
        part, row = match[1], match[2]
        found = [r for r in figures.get(part, {"rows": []})["rows"] if r["name"] == row]
        if not found:
            return match[0]  # the tests name it
        return f"<!--fig {part}: {row}-->{short(found[0]['value'], found[0]['unit'])}<!---->"

    return QUOTED.sub(quoted, text)


def short(value: float, unit: str) -> str:
    """Two significant digits with the unit, as in a sentence: `0.15 mm`, `0.26°`, `94 %`."""
    decimals = 1 if value == 0 else max(0, 1 - math.floor(math.log10(abs(value))))
    space = "" if unit == "deg" else "\u00a0"
    return f"{value:.{decimals}f}{space}{'°' if unit == 'deg' else unit}".replace("-", "−").rstrip()


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
