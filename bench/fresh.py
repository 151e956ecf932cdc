"""Runs one function in a process of its own and prints its time and peak memory: `python -m bench.fresh mod:fun`."""

from __future__ import annotations

import importlib
import json
import os
import re
import sys
import time
from contextlib import suppress
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fitwright.settings")
STATUS, CLEAR = Path("/proc/self/status"), Path("/proc/self/clear_refs")


def peak_mb() -> float:
    """Peak resident memory so far, MB; NaN where the system does not tell.

    Linux: from /proc, because the peak that `getrusage` tells is inherited from the process that started this one.
    """
    if STATUS.is_file():
        found = re.search(r"VmHWM:\s+(\d+) kB", STATUS.read_text())
        return int(found[1]) / 1024 if found else float("nan")
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024 * 1024 if sys.platform == "darwin" else 1024)


def main() -> None:
    """Import, note the memory, call, note it again."""
    module, name = sys.argv[1].split(":")
    function = getattr(importlib.import_module(module), name)
    with suppress(OSError):  # from here on the peak is that of the call, not of the imports
        CLEAR.write_text("5")
    before, start = peak_mb(), time.perf_counter()
    function(*sys.argv[2:])
    spent, after = time.perf_counter() - start, peak_mb()
    print(json.dumps({"seconds": spent, "peak_mb": after, "start_mb": before, "growth_mb": after - before}))


if __name__ == "__main__":
    main()
