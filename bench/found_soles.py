"""Found soles: what is proposed in a photograph, and a cleat restored from two, on hard rendered pictures, simulated.

Each pair shows one sole twice by another hand-held camera and in another light; between them the cleat was moved by a
known amount. Sole and cleat do not lie in the card's plane: the sole's height is not told to the reader, the cleat's
plate is told with 0.5 mm of error, as from a calliper.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from bench.measurement import Measurement, Row
from bench.photo import one_core
from fitwright.demo.riders import RIDERS
from fitwright.demo.sole_look import hard_look
from fitwright.demo.sole_photo import hand_points, render_sole
from fitwright.demo.truth import Truth
from fitwright.errors import InputError
from fitwright.foot.remount import Comparison, compare
from fitwright.foot.sole import SoleReading
from fitwright.quantity import Z95, Floats
from fitwright.studio.feet.measure import measure_sole
from fitwright.vision.photo import U_PICK_PX, card_plane
from fitwright.vision.pick import snap_at
from fitwright.vision.picture import Picture, read_picture
from fitwright.vision.propose import SoleProposals, propose_sole

SEEDS = range(7001, 7021)
"""Not used while the finders were developed."""
NAMES = (("fore-aft", "mm", "≤ 0.5"), ("lateral", "mm", "≤ 0.5"), ("rotation", "deg", "≤ 0.3"))
SNAPS = {"datum": "dot", "m1": "corner", "m5": "corner"}
Picks = dict[str, tuple[float, float]]


@dataclass(frozen=True)
class Shot:
    """One photograph: its truth, what was proposed, and the readings from proposals and from a hand that snaps."""

    truth: Truth
    proposals: SoleProposals
    found: SoleReading | None
    by_hand: SoleReading

    @property
    def pose(self) -> Floats:
        """(3,) true x mm, z mm, ψ deg."""
        cleat = self.truth.data["cleat"]
        return np.array([cleat["x_c_mm"], cleat["z_c_mm"], cleat["psi_c_deg"]])


@lru_cache(maxsize=1)
def pairs() -> tuple[tuple[Shot, Shot], ...]:
    """Before and after moving the cleat, one pair per seed."""
    with TemporaryDirectory(prefix="fitwright-bench-") as folder:
        return tuple(_pair(Path(folder), seed) for seed in SEEDS)


def _pair(folder: Path, seed: int) -> tuple[Shot, Shot]:
    rng = np.random.default_rng([seed, 3])
    rider, foot = tuple(RIDERS.values())[seed % 2], ("left", "right")[seed // 2 % 2]
    pose = np.asarray(rider.setup.cleat(foot), dtype=np.float64)
    looks = hard_look(seed), hard_look(seed + 500_000)
    looks = looks[0], replace(looks[1], style=looks[0].style, mat=looks[0].mat, plate_mm=looks[0].plate_mm)
    told = looks[0].plate_mm + float(rng.normal(0, 0.5))
    moved = pose + rng.uniform([-3, -2, -3], [3, 2, 3])
    shots = []
    for which, at, look in zip(("before", "after"), (pose, moved), looks, strict=True):
        path = folder / f"{seed}-{which}.jpg"
        truth = render_sole(rider, foot, (at[0], at[1], at[2]), path, which, seed, look=look)
        shots.append(_read(read_picture(path), truth, foot, told, seed))
    return shots[0], shots[1]


def _read(picture: Picture, truth: Truth, foot: str, plate_mm: float, seed: int) -> Shot:
    plane = card_plane(picture)
    proposals = propose_sole(picture, plane, foot)
    raised = {n: plate_mm for n in truth.names if n.startswith(("cleat", "datum"))}

    def reading(points: Picks, u_px: Mapping[str, float]) -> SoleReading:
        heights = {n: h for n, h in raised.items() if n in points}
        return measure_sole(picture, foot, points, plane=plane, u_pick_px=u_px, heights_mm=heights)

    picked = {n: (float(uv[0]), float(uv[1])) for n, uv in hand_points(truth, seed).items()}
    u_px = dict.fromkeys(picked, U_PICK_PX)
    for name, uv in picked.items():
        kind = SNAPS.get(name.split("_")[0])
        if kind:
            try:
                snapped = snap_at(picture, uv, kind)
                picked[name], u_px[name] = snapped.uv_px, snapped.u_px
            except InputError:  # stays as picked
                pass
    named = {n: p for n, p in proposals.points.items() if n in truth.names}
    whole = {"heel_centre", "toe", "cleat_nose", "cleat_tail"} <= set(named)
    found = (
        reading({n: p.uv_px for n, p in named.items()}, {n: p.u_px for n, p in named.items()})
        if whole
        else None
    )
    return Shot(truth, proposals, found, reading(picked, u_px))


def found() -> list[Row]:
    """How much is found, how far off, and whether the stated intervals hold the truth."""
    shots = [s for pair in pairs() for s in pair]
    names = shots[0].truth.names
    there = np.mean([[n in s.proposals.points for n in names] for s in shots])
    rows = [
        Row("marks proposed of those that are there", 100 * float(there), "%", "≥ 95",
            f"simulated: {len(shots)} photographs, 3 kinds of sole on 3 mats, sole and cleat out of the card's plane")
    ]  # fmt: skip
    readings = [(s, s.found) for s in shots if s.found is not None]
    for mark in ("m1", "m5"):
        miss, u = _marks(readings, mark)
        rows.append(Row(f"{mark.upper()} proposed, 95 % of errors below", _p95(np.hypot(*miss.T)), "mm", "≤ 1",
                        f"intervals that hold the truth: {_held(miss, u):.0f} %"))  # fmt: skip
    miss = np.array([r.cleat.vector - s.pose for s, r in readings if r.cleat])
    u = np.array([r.cleat.u for _, r in readings if r.cleat])
    for i, (name, unit, _) in enumerate(NAMES):
        why = "; mostly the sole's height above the card, which is not told" if i == 0 else ""
        rows.append(Row(f"cleat {name} from proposals alone, 95 % of errors below", _p95(miss[:, i]), unit, "",
                        f"intervals that hold the truth: {_held(miss[:, i], u[:, i]):.0f} %{why}"))  # fmt: skip
    return rows


def _marks(readings: list[tuple[Shot, SoleReading]], mark: str) -> tuple[Floats, Floats]:
    """(n, 2) errors and standard uncertainties of a mark in the sole frame, mm."""
    have = [(s, r.landmarks[mark]) for s, r in readings if mark in r.landmarks]
    miss = np.array([p.xz - s.truth.data["points_mm"][mark] for s, p in have])
    return miss, np.array([np.sqrt(np.diag(p.covariance_mm2)) for _, p in have])


def restored() -> list[Row]:
    """Shift and turn between two photographs of one sole against the true ones."""
    rows: list[Row] = []
    ways: dict[str, Callable[[Shot], SoleReading | None]] = {
        "proposals": lambda s: s.found, "hand and snap": lambda s: s.by_hand
    }  # fmt: skip
    for way, of in ways.items():
        miss, u = _restoring(of)
        for i, (name, unit, limit) in enumerate(NAMES):
            note = f"{len(miss)} pairs; 95 % intervals ± {Z95 * float(np.median(u[:, i])):.2f}"
            rows.append(
                Row(f"moved {name}, {way}, 95 % of errors below", _p95(miss[:, i]), unit, limit, note)
            )
        rows.append(Row(f"moved, {way}: intervals that hold the truth", _held(miss, u), "%", "90 to 100"))
    return rows


def _restoring(of: Callable[[Shot], SoleReading | None]) -> tuple[Floats, Floats]:
    """(n, 3) errors and standard uncertainties of x mm, z mm, ψ deg."""
    miss, u = [], []
    for before, after in pairs():
        recorded, now = of(before), of(after)
        if recorded is None or now is None:
            continue
        told: Comparison = compare(recorded, now)
        parts = (told.x, told.z, told.psi)
        true = after.pose - before.pose
        miss.append([m.value - t for m, t in zip(parts, true, strict=True)])
        u.append([m.u for m in parts])
    return np.array(miss), np.array(u)


def speed() -> list[Row]:
    """From a file of 12 megapixels to the pose, to the proposals, and a snap; processor time of one core."""
    with one_core(), TemporaryDirectory(prefix="fitwright-bench-") as folder:
        path, rider = Path(folder) / "sole.jpg", RIDERS["first"]
        truth = render_sole(rider, "left", rider.setup.cleat("left"), path, "before", 7100)
        points = {n: (p[0], p[1]) for n, p in hand_points(truth, 1).items()}
        picture = read_picture(path)

        def proposed() -> object:
            read = read_picture(path)
            return propose_sole(read, card_plane(read), "left")

        return [
            Row("photo to pose (12 megapixels, picked points)",
                _core_seconds(lambda: measure_sole(path, "left", points)), "s", "≤ 1"),
            Row("photo to proposals (12 megapixels)", _core_seconds(proposed), "s", "≤ 1"),
            Row("a pick snapped to a dot", _core_seconds(lambda: snap_at(picture, points["datum_1"], "dot")), "s",
                "≤ 0.1"),
        ]  # fmt: skip


def _core_seconds(function: Callable[[], object], repeats: int = 5) -> float:
    """Least processor time of a call (others on the machine only add to it)."""
    spent = []
    for _ in range(repeats):
        start = time.process_time()
        function()
        spent.append(time.process_time() - start)
    return min(spent)


def _held(miss: Floats, u: Floats) -> float:
    return 100 * float(np.mean(np.abs(miss) <= Z95 * u))


def _p95(errors: Floats) -> float:
    return float(np.quantile(np.abs(errors), 0.95))


MEASUREMENTS = (
    Measurement("sole-found", "Soles: what is found in a photograph against the simulated truth", found),
    Measurement(
        "sole-restored", "Soles: a cleat restored from two photographs, marks found or snapped", restored
    ),
    Measurement("sole-found-speed", "Soles: time from a file", speed),
)
