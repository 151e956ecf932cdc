"""`python -m bench [NAME ...]`: run all measurements, or those named, and write docs/performance.md."""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys
from dataclasses import asdict

import bench
from bench.document import DOCUMENT, figure, keep, stored, write
from bench.measurement import Measurement, Row, Unavailable

NOT_MEASURING = {"__main__", "contact", "document", "fresh", "measurement", "shots", "states"}


def found() -> dict[str, Measurement]:
    """All measurements of the package by name, in the order of the modules' names."""
    out: dict[str, Measurement] = {}
    for module in sorted(m.name for m in pkgutil.iter_modules(bench.__path__) if m.name not in NOT_MEASURING):
        for measurement in getattr(importlib.import_module(f"bench.{module}"), "MEASUREMENTS", ()):
            out[measurement.name] = measurement
    return out


def show(row: Row) -> str:
    """One line of the table on the screen."""
    verdict = {None: "", True: "met", False: "MISSED"}[row.met]
    return f"  {row.name:<52} {figure(row.value):>10} {row.unit:<9} {row.limit:>12} {verdict:<7} {row.note}".rstrip()


def main() -> int:
    """Run, print, write; exit code 1 when a measurement broke (a missed limit is no failure, it is a figure)."""
    every = found()
    parser = argparse.ArgumentParser(prog="python -m bench", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(every))
    names = parser.parse_args().names or list(every)
    unknown = [n for n in names if n not in every]
    if unknown:
        parser.error(f"unknown: {', '.join(unknown)}; there are: {', '.join(every)}")
    figures, broken = stored(), False
    for name in names:
        measurement = every[name]
        print(f"{measurement.title}  ({name})", flush=True)
        try:
            rows = list(measurement.run())
        except Unavailable as reason:
            print(f"  not measured: {reason}")
            figures[name] = keep(name, measurement.title, [], str(reason))
            continue
        except Exception as error:
            print(f"  broke: {type(error).__name__}: {error}")
            broken = True
            continue
        print("\n".join(show(r) for r in rows), flush=True)
        figures[name] = keep(name, measurement.title, [asdict(r) | {"met": r.met} for r in rows])
        write(figures, list(every))
    write(figures, list(every))
    print(f"Written: docs/{DOCUMENT.name}")
    return int(broken)


if __name__ == "__main__":
    sys.exit(main())
