"""`fitwright demo`: an invented studio, filled by the real pipeline while the workbench is already open."""

from __future__ import annotations

import json
import os
import sys
import time
from contextlib import ExitStack, nullcontext
from pathlib import Path
from typing import Annotated, Any

import typer
from django.conf import settings
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from fitwright.cli.output import reports_errors
from fitwright.cli.serve import PortOption, StudioOption, check_port_free, helper_process, run_server
from fitwright.demo import arrivals
from fitwright.demo.run import Echo, fill
from fitwright.errors import FitwrightError, check_range
from fitwright.records.models import Visit
from fitwright.studio import takeaway
from fitwright.studio.work import clear_orphans

SECONDS = 12.0


@reports_errors
def demo(
    studio: StudioOption = None,
    port: PortOption = 8765,
    serve: Annotated[bool, typer.Option(help="Serve the workbench; --no-serve stops after writing.")] = True,
    seconds: Annotated[float, typer.Option(help="Length of each simulated film, s (6 to 60).")] = SECONDS,
    filling: Annotated[bool, typer.Option("--filling", hidden=True)] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print where everything is as JSON.")] = False,
) -> None:
    """Run a whole invented visit: everything rendered here is simulated, everything measured is real code.

    Example: fitwright demo --studio demo-studio --no-serve
    """
    check_range("seconds", seconds, 6, 60, "s")
    if serve and not filling:
        check_port_free(port)
    started = time.monotonic()
    visits = arrivals.arrive()
    clear_orphans()
    if serve and not filling:
        _serve_and_fill(port, visits, seconds)
        return
    _third_visit(quiet=as_json)
    folder = Path(settings.STUDIO_DIR) / "demo"
    with _teller(quiet=as_json) as echo:
        fill(visits, folder, echo, seconds)
    _where(visits, folder, time.monotonic() - started, as_json)


def _serve_and_fill(port: int, visits: dict[str, Visit], seconds: float) -> None:
    """The server here, the filling in a process of its own, so that pages answer while films are followed."""
    with ExitStack() as stack:
        helper_process(
            stack, "-c", "from fitwright.cli.main import main; main()", "demo", "--filling", "--no-serve",
            "--seconds", str(seconds),
        )  # fmt: skip
        run_server(port, stack, f"visits/{visits['first'].pk}/")


def _third_visit(quiet: bool) -> None:
    folder = Path(os.environ.get("FITWRIGHT_OUTSIDE_DATA") or Path.cwd().parent / "shared" / "data")
    try:
        found = arrivals.open_recording(folder)
    except FitwrightError as error:
        typer.echo(f"open recording: {error}", err=True)
        return
    if found is None and not quiet:
        typer.echo(str(arrivals.missing_recording(folder)))


def _where(visits: dict[str, Visit], folder: Path, seconds: float, as_json: bool) -> None:
    data: dict[str, Any] = {
        "studio": str(settings.STUDIO_DIR), "seconds": round(seconds, 1), "simulated": True,
        "visits": {
            key: {
                "id": v.pk, "rider": v.rider.name,
                "documents": [str(p) for p in sorted((folder / key / "documents").glob("*"))],
                "position": takeaway.position_record(v),
            }
            for key, v in visits.items()
        },
    }  # fmt: skip
    if as_json:
        typer.echo(json.dumps(data, ensure_ascii=False, indent=2))
        return
    typer.echo(f"\nThe demo studio is in {data['studio']} (simulated riders; {seconds:.0f} s).")
    for one in data["visits"].values():
        typer.echo(f"  {one['rider']}: visit {one['id']}")
        for document in one["documents"]:
            typer.echo(f"    {document}")
    typer.echo("See it in the browser: fitwright serve --studio " + data["studio"])


class _Lines:
    """Progress for a log or a pipe: one line when a step begins and one when it ends."""

    def __enter__(self) -> Echo:
        self.open: set[str] = set()
        return self._tell

    def __exit__(self, *_: object) -> None:
        sys.stdout.flush()

    def _tell(self, title: str, share: float, words: str) -> None:
        if share >= 1 and words and title in self.open:
            self.open.discard(title)
            print(f"  done     {title} ({words})", flush=True)
        elif share < 1 and title not in self.open:
            self.open.add(title)
            print(f"  working  {title}", flush=True)


class _Bars:
    """Progress for a terminal."""

    def __enter__(self) -> Echo:
        self.bars = Progress(
            TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"),
            TextColumn("{task.fields[words]}"), TimeElapsedColumn(), console=Console(),
        )  # fmt: skip
        self.bars.start()
        self.tasks: dict[str, Any] = {}
        return self._tell

    def __exit__(self, *_: object) -> None:
        self.bars.stop()

    def _tell(self, title: str, share: float, words: str) -> None:
        if title not in self.tasks:
            self.tasks[title] = self.bars.add_task(title, total=1.0, words="")
        self.bars.update(self.tasks[title], completed=share, words=words)


def _teller(quiet: bool) -> Any:
    if quiet:
        return nullcontext(lambda title, share, words: None)
    return _Bars() if sys.stdout.isatty() else _Lines()
