"""Points where following is hard: a lone disc against the Cramér–Rao bound, markers that are covered, bare cloth.

All pictures are drawn (simulated), by many samples per pixel and per exposure, not by the model that is fitted.
"""

from __future__ import annotations

import itertools
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from bench.cloth import FABRICS, Fabric, cloth_film
from bench.drawn import SIZE, Cover, Film, covered, film_to, leg, picture
from bench.measurement import Measurement, Row, rms
from fitwright.quantity import Z95, Floats
from fitwright.vision.disc import DiscShape, fit_discs
from fitwright.vision.track import track_points

NOISE, NOISY, DRAWS, MARKERS = 2.5, 8.0, 60, 8
RADII = (4.0, 5.0, 9.0)
BLURS = ((0.0, 0.0), (4.0, 2.0), (-9.0, 7.0))
COVERED_S = 0.3
PIECES = tuple(range(3, 9))
"""Seeds of the cloths."""
KINDS = ("hand", "arm", "disc")


def bound() -> list[Row]:
    """Errors of a lone disc over the bound: fitted from wrong starts in noisy pictures."""
    rows, held = [], []
    for disc, blur, noise in [
        *itertools.product(RADII, BLURS, (NOISE,)),
        *((RADII[0], b, NOISY) for b in BLURS),
    ]:
        error, u, true = _lone(disc, blur, noise)
        held.append(100 * float(np.mean(np.abs(error) <= Z95 * u)))
        how = "still" if blur == (0.0, 0.0) else f"blurred by {np.hypot(*blur):.0f} px"
        how += "" if noise == NOISE else f", noise of {noise:.0f}"
        rows.append(
            Row(f"disc of {2 * disc:.0f} px in a ring of {3.6 * disc:.0f}, {how}: RMS error over the bound",
                rms(error) / true, "", "≤ 1.1",
                f"{rms(error):.3f} px at noise {noise}; stated u over the bound {rms(u) / true:.2f}; "
                f"{DRAWS * MARKERS} fits")
        )  # fmt: skip
    rows.append(Row("95 % intervals of lone discs that hold", float(np.mean(held)), "%", "90 to 98",
                    f"{min(held):.0f} to {max(held):.0f} % in each of the rows above"))  # fmt: skip
    return rows


def _lone(disc: float, blur: tuple[float, float], noise: float) -> tuple[Floats, Floats, float]:
    """Errors (N, 2) px, the u (N, 2) that the fits state, and the bound from the pictures' own gradients."""
    rng = np.random.default_rng(5)
    radii = (disc, 1.8 * disc)
    centres = SIZE / 2 + rng.uniform(-1, 1, (MARKERS, 2))
    clean = np.stack([picture(c, blur, radii) for c in centres])
    shape = DiscShape(np.full(MARKERS, radii[0]), np.full(MARKERS, radii[1]), np.full(MARKERS, 0.77))
    places = centres + [[SIZE * k, 0] for k in range(MARKERS)]
    errors, stated = [], []
    for _ in range(DRAWS):
        noisy = np.concatenate(list(clean + rng.normal(0, noise, clean.shape)), axis=1).astype(np.float32)
        fit = fit_discs(
            shape, np.arange(MARKERS), noisy, 1.0, places + rng.uniform(-0.6, 0.6, places.shape),
            np.tile(blur, (MARKERS, 1)), np.ones(MARKERS), None, np.full(MARKERS, noise), np.zeros(MARKERS),
            iterations=5,
        )  # fmt: skip
        errors.append(fit.uv_px - places)
        stated.append(np.diagonal(fit.covariance, axis1=1, axis2=2))
    bounds = [cramer_rao(c, blur, radii, noise) for c in centres[:3]]
    return np.concatenate(errors), np.sqrt(np.concatenate(stated)), float(np.sqrt(np.mean(bounds)))


def cramer_rao(
    centre: Floats, blur: tuple[float, float], radii: tuple[float, float], noise: float = NOISE
) -> Floats:
    """(2,) variances, px²: place with unknown size and three unknown levels, from differences of drawn pictures, at
    a pixel's noise in grey levels (SD, white)."""
    h = 0.05

    def d(of: object) -> Floats:
        plus, minus = of(h), of(-h)  # type: ignore[operator]
        return np.asarray((plus - minus).ravel() / (2 * h))

    columns = [
        d(lambda s: picture(centre + np.array([s, 0.0]), blur, radii)),
        d(lambda s: picture(centre + np.array([0.0, s]), blur, radii)),
        d(lambda s: picture(centre, blur, (radii[0] * (1 + s / 10), radii[1] * (1 + s / 10)))),
        *(d(lambda s, k=k: picture(centre, blur, radii, tuple(
            v + (s if i == k else 0) for i, v in enumerate((120.0, 220.0, 30.0))))) for k in range(3)),
    ]  # fmt: skip
    j = np.stack(columns, axis=1)
    return np.asarray(noise**2 * np.diag(np.linalg.inv(j.T @ j))[:2])


def occlusion() -> list[Row]:
    """Markers of a pedalling leg covered for 0.3 s: whether each comes back, soon, as itself."""
    came, late, worst, events = [], [], 0.0, 0
    for seed in range(9):
        rng = np.random.default_rng(seed)
        discs = leg(float(rng.uniform(65, 108)), float(rng.uniform(0, 8)))
        times = np.arange(480) / 60
        covers = tuple(
            Cover(name, str(rng.choice(KINDS)), float(s), COVERED_S)
            for name in discs for s in 1.2 + np.cumsum(rng.uniform(0.9, 1.6, 6)) if s < 7.2
        )  # fmt: skip
        with tempfile.TemporaryDirectory() as folder:
            film = Film(discs, times, exposure_s=1 / 400)
            path = film_to(Path(folder) / "a.mp4", film, seed, covered(covers))
            tracks = track_points(path, 0.0, {n: p(np.zeros(1))[0] for n, p in discs.items()})
        for i, name in enumerate(tracks.names):
            off = np.hypot(*(tracks.uv_px[:, i] - discs[name](tracks.time_s)).T)
            worst = max(worst, float(np.nanmax(off)))
            for c in (c for c in covers if c.name == name):
                since = tracks.time_s - c.from_s - COVERED_S
                again = off[(since >= -1e-3) & (since < 0.5)]
                back = np.flatnonzero(np.isfinite(again))
                events += 1
                came.append(back.size > 0 and float(again[back].max()) < 2.0)
                late.append(float(back[0]) / 60 if back.size else np.nan)
    return [
        Row("markers covered for 0.3 s that came back as themselves", 100 * float(np.mean(came)), "%", "≥ 99",
            f"{events} times, {', '.join(KINDS)} before the marker; back within half a second"),
        Row("came back after, 95 % within", float(np.nanpercentile(late, 95)), "s"),
        Row("furthest that a told place lies from the marker", worst, "px", "≤ 2",
            "another marker would be 18 px off"),
    ]  # fmt: skip


def cloth() -> list[Row]:
    """Cloth and skin without a marker over 30 s, several pieces of each: drift, and whether the stated u holds.

    How far a place is off depends on the one piece of cloth, so that u can be right for many pieces only.
    """
    rows, held, jobs = [], [], [(fabric, seed) for fabric in FABRICS for seed in PIECES]
    with ProcessPoolExecutor(2) as pool:
        found = dict(zip(jobs, pool.map(_piece, jobs), strict=True))
    for fabric in FABRICS:
        films = [found[fabric, seed] for seed in PIECES]
        drifts = [
            float(np.linalg.norm(np.nanmedian(e[-300:], axis=0) - np.nanmedian(e[:60], axis=0)))
            for e, _ in films
        ]
        error, u = (np.concatenate(x) for x in zip(*films, strict=True))
        seen = np.isfinite(error[:, 0])
        held.append(np.abs(error[seen]) <= Z95 * u[seen])
        each = ", ".join(f"{rms(e[ok] / s[ok]):.2f}" for e, s in films for ok in [np.isfinite(e[:, 0])])
        rows += [
            Row(f"{fabric.name}: largest drift over 30 s", max(drifts), "px", "≤ 1",
                f"RMS error {rms(error[seen]):.2f} px, largest {np.abs(error[seen]).max():.1f}, "
                f"told in {100 * seen.mean():.0f} % of frames"),
            Row(f"{fabric.name}: 95 % intervals that hold", 100 * float(held[-1].mean()), "%", "",
                f"error over u {rms(error[seen] / u[seen]):.2f}; of each of {len(PIECES)} pieces {each}"),
        ]  # fmt: skip
    every = np.concatenate(held)
    return [*rows, Row("cloth and skin, all: 95 % intervals that hold", 100 * float(every.mean()), "%", "90 to 98",
                       f"{len(jobs)} pieces; one piece errs the same way in every turn")]  # fmt: skip


def _piece(job: tuple[Fabric, int]) -> tuple[Floats, Floats]:
    return cloth_film(job[0], 30.0, job[1])


MEASUREMENTS = (
    Measurement("film-bound", "Film: a lone disc against the Cramér–Rao bound", bound),
    Measurement("film-occlusion", "Film: markers that are covered", occlusion),
    Measurement("film-cloth", "Film: cloth and skin without markers", cloth),
)
