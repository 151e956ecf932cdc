"""The demo's run: pictures are rendered in the background while the real pipeline works through the visits.

Every step looks first whether its result is already on record, so that an interrupted demo goes on where it stopped.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from fitwright.demo import render
from fitwright.demo.arrivals import SEED, has_second_pair, lay_out_second_pair
from fitwright.demo.picking import taken_or_picked
from fitwright.demo.riders import INDOOR, RIDERS, SimRider, SimSetup, apply, canonical
from fitwright.records.media import keep_file
from fitwright.records.models import Visit
from fitwright.studio import cameras, feeling, hanging, intake, papers, plan, ride
from fitwright.studio.entry import lowered
from fitwright.studio.feet import check, pairs, soles
from fitwright.studio.point_origins import HAND, Origin
from fitwright.studio.visits import analysis
from fitwright.studio.work import working
from fitwright.vision.card import SCALE_CARD

SIDES = ("left", "right")
VIEWS = {"side right": "side", "front": "front"}
CAMERA_FRONT_MM = 3358.0  # lens to bottom bracket, straight line, as the tape would read it
TAPE_SD_MM = 5.0
RULER_MM = 0.5  # reading a ruler between the old mark on the post and the new one
HAND_MM, HAND_DEG = 0.35, 0.35  # how exactly the simulated hand sets a cleat; our own choice
WORN_SHIFT = {"cleat_x_mm": -1.6, "cleat_z_mm": -0.7, "cleat_psi_deg": -1.4}  # a new cleat put on by eye
Echo = Callable[[str, float, str], None]
"""Title of the step, fraction done, message."""


@dataclass
class Demo:
    """One run: where pictures go, who is there, the rendering pool, and how progress is told."""

    folder: Path
    visits: Mapping[str, Visit]
    pool: ProcessPoolExecutor
    echo: Echo
    seconds: float = render.FILM_SECONDS
    rendering: dict[Path, Future[str]] = field(default_factory=dict)


def fill(visits: Mapping[str, Visit], folder: Path, echo: Echo, seconds: float = render.FILM_SECONDS) -> None:
    """Run both visits to their end. InputError, Stopped and KeyboardInterrupt leave everything done so far."""
    folder.mkdir(parents=True, exist_ok=True)
    _measure_the_card()
    render.clear_parts(folder)
    spawn = get_context("spawn")
    theirs, ours = spawn.Pipe(duplex=False)
    pool = ProcessPoolExecutor(2, spawn, render.ends_with, (theirs,))
    demo = Demo(folder, visits, pool, echo, seconds)
    try:
        for key in visits:
            _order_before(demo, key)
        for key in visits:
            _measure(demo, key, "before")
            _plan(demo, key)
            if plan.changes_of(demo.visits[key]):
                _order_after(demo, key)
            _second_pair(demo, key)
        for key in visits:
            if plan.changes_of(demo.visits[key]):
                _measure(demo, key, "after")
                _finish(demo, key)
            _hand_over(demo, key)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        ours.close()  # whoever still renders ends now; so it does when this process is killed


def _order_before(demo: Demo, key: str) -> None:
    for k, side in enumerate(SIDES):
        out = _path(demo, key, "hanging foot", side, ".jpg")
        demo.rendering[out] = demo.pool.submit(
            render.hanging, RIDERS[key], side, out, SEED + 30 + k + len(key)
        )
    _order(demo, key, RIDERS[key].setup, "before", SEED)
    for side in SIDES if key in INDOOR else ():
        _order_photo(demo, INDOOR[key], INDOOR[key].setup, side, "before", SEED + 70, " B")


def _order_after(demo: Demo, key: str) -> None:
    setup = setup_after(demo.visits[key], key)
    _order(demo, key, setup, "after", SEED + 50)
    later = setup
    for name, delta in WORN_SHIFT.items():
        later = apply(later, f"{name}_left", delta)
    _order_photo(demo, RIDERS[key], later, "left", "remount", SEED + 90)


def setup_after(visit: Visit, key: str) -> SimSetup:
    """The simulated bike and cleats after the plan was carried out by a hand that is not exact (simulated)."""
    rng = np.random.default_rng([SEED, 77])
    setup = RIDERS[key].setup
    for row in plan.changes_of(visit):
        planned = row.planned
        error = rng.normal(0, HAND_DEG if planned["unit"] == "deg" else HAND_MM)
        exact = not planned["adjustable"].startswith(("cleat", "saddle"))  # a spacer is as thick as it is
        setup = apply(setup, planned["adjustable"], planned["delta"] + (0.0 if exact else error))
    return setup


def _order(demo: Demo, key: str, setup: SimSetup, when: str, seed: int) -> None:
    for side in SIDES:
        _order_photo(demo, RIDERS[key], setup, side, when, seed)
    for view, kind in VIEWS.items():
        out = _path(demo, key, view, when, ".mp4")
        demo.rendering[out] = demo.pool.submit(render.film, key, setup, kind, out, seed, demo.seconds)


def _order_photo(
    demo: Demo, rider: SimRider, setup: SimSetup, side: str, when: str, seed: int, pair: str = ""
) -> None:
    out = _path(demo, rider.key, f"sole {side}", when + pair, ".jpg")
    which = "before" if when == "before" else "after"
    photo_seed = seed + SIDES.index(side)
    demo.rendering[out] = demo.pool.submit(render.sole, rider, setup, side, which, out, photo_seed)


def _path(demo: Demo, key: str, what: str, when: str, suffix: str) -> Path:
    return demo.folder / key / f"{what} {when}{suffix}".replace(" ", "-")


def _measure(demo: Demo, key: str, when: str) -> None:
    """Photographs, then films, of one rider and moment through the real pipeline."""
    visit = demo.visits[key]
    for side in SIDES if when == "before" else ():
        if not any(p.side == side and p.reading for p in hanging.photos(visit)):
            _hanging_foot(demo, key, side)
    for side in SIDES:
        if soles.reading_of(visit, side, when) is None:
            _sole(demo, key, side, when)
    for view in VIEWS:
        if ride.ride_of(visit, view, when) is None:
            _film(demo, key, view, when)


def _hanging_foot(demo: Demo, key: str, side: str) -> None:
    visit, path = demo.visits[key], _path(demo, key, "hanging foot", side, ".jpg")
    with _step(demo, visit, "hanging foot", f"Hanging foot, {side}") as tell:
        _wait(demo, path, tell)
        medium = keep_file(path, "photo", simulated=True)
        about = {"side": side, "line": "shoe", "knee": "thigh", "card": "sole"}
        hanging.save_picks(visit, medium, about, _points(path)["points"])


def _sole(demo: Demo, key: str, side: str, when: str, pair: str = "") -> None:
    """Measured from what the finder proposes; what it does not find is picked by hand."""
    visit, path = demo.visits[key], _path(demo, key, f"sole {side}", when + pair, ".jpg")
    of_pair = f", pair{pair}" if pair else ""
    title = f"{side.capitalize()} sole{of_pair}, {soles.MOMENT_WORDS[when]}"
    with _step(demo, visit, "sole", title) as tell:
        _wait(demo, path, tell)
        medium = keep_file(path, "photo", simulated=True)
        points, origins, outline = taken_or_picked(visit, medium, side, _points(path)["points"])
        check.save_sole(visit, medium, side, when, points, origins, outline)


def _second_pair(demo: Demo, key: str) -> None:
    """A second pair of shoes on the bench, photographed as it came, and the first one put back."""
    visit = demo.visits[key]
    if has_second_pair(visit, RIDERS[key]):
        return
    try:
        lay_out_second_pair(visit, INDOOR[key])
        for side in SIDES:
            if soles.reading_of(visit, side, "before") is None:
                _sole(demo, key, side, "before", " B")
    finally:
        pairs.switch_pair(visit, "A")


def _film(demo: Demo, key: str, view: str, when: str) -> None:
    visit, path = demo.visits[key], _path(demo, key, view, when, ".mp4")
    with _step(demo, visit, "film", f"Film {ride.VIEW_WORDS[view]}, {ride.WHEN_WORDS[when]}") as tell:
        _wait(demo, path, lambda share, words: tell(0.85 * share, words))
        medium = keep_file(path, "film", simulated=True)
        tape = None
        if view == "front":
            tape = CAMERA_FRONT_MM + float(np.random.default_rng([SEED, 5]).normal(0, TAPE_SD_MM))
        ride.save_film(visit, medium, view, when, camera_mm=tape)
        ride.save_marks(visit, view, when, clicked(_points(path)))
        ride.analyse_film(
            visit, view, when, lambda share, _: tell(0.85 + 0.14 * share, "following the points")
        )


def _plan(demo: Demo, key: str) -> None:
    visit = demo.visits[key]
    if analysis(visit, "plan", "plan") is None:
        with _step(demo, visit, "plan", "Making the plan"):
            plan.make(visit)


def _finish(demo: Demo, key: str) -> None:
    """Record what was done with the values measured afterwards, compare with the prediction, keep the position."""
    visit = demo.visits[key]
    if analysis(visit, "outcome", "outcome") is None:
        with _step(demo, visit, "outcome", "Comparing predicted with measured"):
            if not any(row.steps for row in plan.changes_of(visit)):
                feeling.save(visit, {"step": "0", "comfort.overall": "5"})
            for row in plan.changes_of(visit):
                if row.state == "planned":
                    step = plan.record_step(row.change, "done", _actual(visit, row.planned))
                    feeling.save(visit, _felt(visit, step.pk, row.change.order))
            plan.take_outcome(visit)
            plan.keep_final_position(visit)
    if soles.reading_of(visit, "left", "remount") is None:
        _sole(demo, key, "left", "remount")


def _felt(visit: Visit, step: int, turns: int) -> dict[str, str]:
    """What the rider says after so many turns (simulated): a little less pain, a little more comfort each time."""
    hurts = {s: v for s, v in intake.pain_ratings(visit).items() if v}
    said = {f"pain.{site}": f"{max(v - (turns + 1) // 2, 0):.0f}" for site, v in hurts.items()}
    return said | {"step": str(step), "comfort.overall": str(min(5 + turns, 9))}


def _actual(visit: Visit, planned: Mapping[str, Any]) -> float | None:
    """The value read after the change: cleats from the second photograph, the rest against a mark on the part."""
    kind, side = planned["adjustable"], planned["side"]
    if kind.startswith("cleat"):
        reading = soles.reading_of(visit, side, "after")
        cleat = reading.cleat if reading else None
        return None if cleat is None else float(
            {"cleat_x_mm": cleat.x_mm, "cleat_z_mm": cleat.z_mm, "cleat_psi_deg": cleat.psi_deg}[
                kind.removesuffix(f"_{side}")
            ]
        )  # fmt: skip
    return (
        planned["before"]
        + _turned(visit, planned)
        + float(np.random.default_rng([SEED, 78]).normal(0, RULER_MM))
    )


def _turned(visit: Visit, planned: Mapping[str, Any]) -> float:
    """By how much the simulated part really moved."""
    key = next(k for k, r in RIDERS.items() if r.name == visit.rider.name)
    name = canonical(planned["adjustable"])
    after, before = setup_after(visit, key).contact, RIDERS[key].setup.contact
    return float(getattr(after, name) - getattr(before, name))


def _measure_the_card() -> None:
    """The simulated card is printed true; its check bar is read with a ruler, to a tenth of a millimetre."""
    if not cameras.check_bars():
        read_mm = SCALE_CARD.check_bar_mm + float(
            np.random.default_rng([SEED, 79]).normal(0, cameras.U_RULER_MM)
        )
        cameras.save_check_bar(round(read_mm, 1), "simulated print")


def _hand_over(demo: Demo, key: str) -> None:
    visit = demo.visits[key]
    with _step(demo, visit, "documents", "Handover"):
        papers.write_documents(visit, demo.folder / key / "documents")


@contextmanager
def _step(demo: Demo, visit: Visit, kind: str, title: str) -> Iterator[Callable[[float, str], None]]:
    """One piece of work, told on the command line with the rider's name; the record has that beside the title."""
    started, line = time.monotonic(), f"{visit.rider.name}: {lowered(title)}"
    with working(f"demo {kind}", title, visit, lambda share, words: demo.echo(line, share, words)) as tell:
        tell(0.0, "")
        yield tell
    demo.echo(line, 1.0, f"{time.monotonic() - started:.0f} s")


def _wait(demo: Demo, path: Path, tell: Callable[[float, str], None]) -> None:
    """Wait for a picture from the pool, telling how far it is."""
    future = demo.rendering[path]
    progress = path.with_name(path.name + ".progress")
    while not future.done():
        share = 0.0
        with suppress(OSError, ValueError):  # not begun, or caught while being written
            share = float(progress.read_text())
        tell(share, "rendering (simulated)" if share else "waiting to be rendered")
        time.sleep(0.25)
    future.result()


def clicked(marks: Mapping[str, Any]) -> dict[str, Any]:
    """Marks of a simulated hand, with that as their origin."""
    return {**marks, "origin": {name: Origin(HAND).to_json() for name in marks["points"]}}


def _points(path: Path) -> Any:
    return json.loads(path.with_suffix(".points.json").read_text(encoding="utf-8"))
