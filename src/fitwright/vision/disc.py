"""A contrast disc in the picture: its model with motion blur, and the fit that finds its centre.

Model of a marker in one frame (intensities in 8-bit grey levels):

    I(p) = background + a_ring · C(p; R_ring) + a_disc · C(p; R_disc)

with C the coverage of a disc, blurred by the optics (Gaussian, sigma) and by its own motion during the exposure (a
box of length l along the direction of motion). Because a disc is isotropic, the motion blur is exact from one table
per radius: with F(x, y) = ∫₀ˣ D(s, y) ds of the unblurred coverage D, and x along the motion,

    C(x, y) = (F(x + l/2, y) − F(x − l/2, y)) / l.

The fit is Gauss–Newton over centre and scale, with the three amplitudes (the marker's own gain and offset, so that
flicker does not matter) solved in the same step. All markers are fitted together, one array per step. The whole
file is arrays in, arrays out: the place to compile when numpy is not fast enough.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc

from fitwright.quantity import Floats

Floats32 = NDArray[np.float32]
Index = NDArray[np.intp]
STEP = 0.125
"""Spacing of the coverage table, px."""
SHORTEST_BLUR_PX = 0.75
"""Below this length a box blur cannot be told from the optics' own."""
PAD = 2
"""Samples around a window that the derivatives need."""
MARGIN_PX = 2.5
"""Width of background around the ring that takes part in the fit."""


@dataclass(frozen=True)
class DiscShape:
    """Geometry of P markers at scale 1, px: disc radius, ring's outer radius (= disc radius when there is no
    ring), Gaussian blur of the optics; each (P,). `ringed` (P,) whether there is a ring."""

    disc_px: Floats
    ring_px: Floats
    sigma_px: Floats

    @property
    def ringed(self) -> NDArray[np.bool_]:
        """Which markers have a ring around the disc."""
        return self.ring_px > self.disc_px + 0.5


@dataclass(frozen=True)
class DiscFit:
    """Outcome for P markers in one frame.

    Attributes:
        uv_px: (P, 2) centres. scale: (P,) size against the shape. amplitudes: (P, 3) ring, disc, background in
            grey levels. covariance: (P, 2, 2) Cramér–Rao bound of the centre at the residual's level, px².
        rms: (P,) residual on the marker, grey levels. background_rms: (P,) residual around it, grey levels.
        step_px: (P,) length of the last step.
    """

    uv_px: Floats
    scale: Floats
    amplitudes: Floats
    covariance: Floats
    rms: Floats
    background_rms: Floats
    step_px: Floats

    @property
    def contrast(self) -> Floats:
        """(P,) signed step from the disc to what surrounds it, grey levels."""
        return self.amplitudes[:, 1]


class DiscTable:
    """Coverage integrals F of the ring and the disc of P markers, stacked into one two-channel picture.

    Row block i belongs to marker i; rows run over |y|, columns over x from −reach to +reach.
    """

    def __init__(self, shape: DiscShape) -> None:
        self.shape = shape
        self.reach_px = float(np.max(shape.ring_px + 5.0 * shape.sigma_px)) + 1.0
        n = round(self.reach_px / STEP)
        x = np.arange(-n, n + 1) * STEP
        y = np.arange(n + 1) * STEP
        self.rows, self.columns_centre = n + 1, float(n)
        rho = np.hypot(x[None, :], y[:, None])
        blocks = []
        for disc, ring, sigma in zip(shape.disc_px, shape.ring_px, shape.sigma_px, strict=True):
            planes = []
            for radius in (ring, disc):
                cover = 0.5 * erfc((rho - radius) / (np.sqrt(2.0) * sigma))
                total = np.cumsum(cover, axis=1) * STEP - 0.5 * STEP * cover
                planes.append(total - total[:, n : n + 1])
            blocks.append(np.stack(planes, axis=-1))
        self.picture: Floats32 = np.ascontiguousarray(np.concatenate(blocks), dtype=np.float32)

    def coverage(
        self, index: Index, corner: Index, size: int, uv_px: Floats, blur_px: Floats, scale: Floats
    ) -> tuple[Floats32, Floats32]:
        """Coverages on P square windows.

        Args:
            index: (P,) which markers of the table. corner: (P, 2) pixel (u, v) of each window's first sample.
            size: samples per side.
            uv_px: (P, 2) centres. blur_px: (P, 2) displacement during the exposure. scale: (P,).

        Returns:
            coverage (P, size, size, 2) of ring and disc, and the distance (P, size, size) of each sample beyond the
            swept ring's edge (negative inside), px.
        """
        p = len(uv_px)
        length = np.hypot(blur_px[:, 0], blur_px[:, 1])
        cos = np.where(length > 1e-6, blur_px[:, 0] / np.maximum(length, 1e-6), 1.0)
        sin = np.where(length > 1e-6, blur_px[:, 1] / np.maximum(length, 1e-6), 0.0)
        length = np.maximum(length, SHORTEST_BLUR_PX)
        grid = np.arange(size)
        per = 1.0 / (scale * STEP)  # table samples per px
        du = (corner[:, :1] + grid - uv_px[:, :1]) * per[:, None]
        dv = (corner[:, 1:] + grid - uv_px[:, 1:]) * per[:, None]
        f32 = np.float32
        x = (du * cos[:, None]).astype(f32)[:, None, :] + (dv * sin[:, None]).astype(f32)[:, :, None]
        y = (dv * cos[:, None]).astype(f32)[:, :, None] - (du * sin[:, None]).astype(f32)[:, None, :]
        np.abs(y, out=y)
        half = (0.5 * length * per).astype(f32)[:, None, None]
        beyond = np.abs(x)
        beyond -= half
        np.maximum(beyond, 0, out=beyond)
        beyond = cv2.magnitude(beyond.reshape(p * size, size), y.reshape(p * size, size)).reshape(
            p, size, size
        )
        beyond *= (1.0 / per).astype(f32)[:, None, None]
        beyond -= (self.shape.ring_px[index] * scale).astype(f32)[:, None, None]
        np.minimum(y, self.rows - 1, out=y)
        y += (index * float(self.rows)).astype(f32)[:, None, None]
        y2 = y.reshape(p * size, size)
        x += f32(self.columns_centre)
        ahead = self._look_up(x + half, y2)
        x -= half
        ahead -= self._look_up(x, y2)
        cover = ahead.reshape(p, size, size, 2)
        cover *= (0.5 / (half * STEP)).astype(f32)[..., None]
        return cover, beyond

    def _look_up(self, x: Floats32, y: Floats32) -> Floats32:
        return np.asarray(
            cv2.remap(self.picture, x.reshape(y.shape), y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )


def fit_discs(
    table: DiscTable, index: Index, windows: Floats32, corner: Index, uv_px: Floats, blur_px: Floats, scale: Floats,
    amplitudes: Floats | None, noise: Floats, background_sd: Floats, iterations: int = 3, scale_sd: float = 0.01,
    good_enough_px: float = 0.06,
) -> DiscFit:  # fmt: skip
    """Find the centres of P markers in their windows by Gauss–Newton.

    Args:
        table, index: shapes, and (P,) which of them these markers are. windows: (P, n, n) grey levels 0–255.
        corner: (P, 2) pixel of windows[:, 0, 0].
        uv_px, blur_px, scale: where to start, (P, 2), (P, 2), (P,).
        amplitudes: (P, 3) of the frame before, or None.
        noise: (P,) SD of a pixel, grey levels. background_sd: (P,) how far the background is from even.
        scale_sd: how far the scale may move from where it starts (a prior, as a share).
        good_enough_px: a marker whose step is smaller is done (the next step would be a tenth of it).
    """
    p = len(index)
    pixels = np.ascontiguousarray(windows, dtype=np.float32).reshape(p, 1, -1)
    fit = DiscFit(
        uv_px.astype(np.float64), scale.astype(np.float64), np.zeros((p, 3)), np.zeros((p, 2, 2)), np.zeros(p),
        np.zeros(p), np.full(p, np.inf),
    )  # fmt: skip
    uneven = background_sd.astype(np.float64)
    amp = amplitudes
    todo = np.arange(p)
    for _ in range(iterations):
        cover, beyond = table.coverage(
            index[todo],
            corner[todo] - PAD,
            windows.shape[1] + 2 * PAD,
            fit.uv_px[todo],
            blur_px[todo],
            fit.scale[todo],
        )
        levels = None if amp is None else amp[todo]
        part = _Windows(
            cover, beyond, pixels[todo], corner[todo], table.shape.ringed[index[todo]], noise[todo]
        )
        surprise = _step(fit, todo, part, levels, uneven, scale[todo], scale_sd)
        amp = fit.amplitudes
        todo = todo[surprise | (fit.step_px[todo] >= good_enough_px)]
        if todo.size == 0:
            break
    return fit


@dataclass(frozen=True)
class _Windows:
    """What one step needs of the markers it moves: model coverage (padded), distance beyond the ring, pixels."""

    cover: Floats32
    beyond: Floats32
    pixels: Floats32
    corner: Index
    ringed: NDArray[np.bool_]
    noise: Floats


def _step(
    fit: DiscFit,
    rows: Index,
    part: _Windows,
    levels: Floats | None,
    uneven: Floats,
    start: Floats,
    scale_sd: float,
) -> NDArray[np.bool_]:
    """Move markers `rows` of `fit` by one step, in place; which of them met a background that was not expected."""
    inside = (slice(None), slice(PAD, -PAD), slice(PAD, -PAD))
    inner, beyond = part.cover[inside], part.beyond[inside]
    weight = _weights(inner[..., 0], beyond, part.noise, uneven[rows])
    if levels is None:
        levels = _amplitudes(inner, weight, part.pixels, part.ringed)
    columns = _columns(part.cover, levels, part.corner, fit.uv_px[rows], fit.scale[rows])
    change, inverse, left = _solve(columns, weight, part, fit.scale[rows], start, scale_sd)
    moved = np.clip(change[:, 3:5], -2.0, 2.0)
    fit.uv_px[rows] += moved
    fit.scale[rows] = np.clip(fit.scale[rows] + np.clip(change[:, 5], -0.1, 0.1), 0.5, 2.0)
    fit.amplitudes[rows] = change[:, :3]
    fit.step_px[rows] = np.hypot(moved[:, 0], moved[:, 1])
    ring = inner[..., 0].reshape(len(left), -1)
    around = _mean_of(left, (ring < 0.5) & (beyond.reshape(ring.shape) < MARGIN_PX)) ** 0.5
    rms = _mean_of(left, ring > np.minimum(0.75, 0.9 * ring.max(axis=1, keepdims=True))) ** 0.5
    fit.background_rms[rows], fit.rms[rows] = around, rms
    fit.covariance[rows] = inverse[:, 3:5, 3:5] * (rms**2)[:, None, None]
    surprise = around > 2.0 * uneven[rows] + 3.0
    # an edge behind the marker (a hem, a shoe) must not pull it: this frame's background counts at once
    uneven[rows] = np.maximum(uneven[rows], around)
    return np.asarray(surprise)


def _mean_of(squares: Floats32, weight: NDArray[np.float32] | NDArray[np.bool_]) -> Floats:
    """Weighted mean over the samples, (P,)."""
    total = np.einsum("pn,pn->p", squares, weight.astype(np.float32))
    return np.asarray(total / np.maximum(weight.sum(axis=1), 1.0), dtype=np.float64)


def _weights(ring: Floats32, beyond: Floats32, noise: Floats, background_sd: Floats) -> Floats32:
    """Weight 1 where only marker is seen; less where an uneven background shines in; 0 outside the margin."""
    share = (background_sd / np.maximum(noise, 0.3)).astype(np.float32)[:, None, None]
    weight = 1.0 - ring
    weight *= share
    np.square(weight, out=weight)
    weight += 1.0
    np.reciprocal(weight, out=weight)
    weight *= beyond < MARGIN_PX
    return weight.reshape(len(ring), 1, -1)


def _amplitudes(inner: Floats32, weight: Floats32, pixels: Floats32, ringed: NDArray[np.bool_]) -> Floats:
    """Ring, disc and background levels at the starting centre, (P, 3)."""
    p = len(inner)
    columns = np.ones((p, 3, weight.shape[2]), np.float32)
    columns[:, 0], columns[:, 1] = inner[..., 0].reshape(p, -1), inner[..., 1].reshape(p, -1)
    weighted = columns * weight
    matrix = (weighted @ columns.transpose(0, 2, 1)).astype(np.float64)
    matrix[:, 0, 0] += np.where(ringed, 1e-3, 1e9)
    matrix[:, [1, 2], [1, 2]] += 1e-3
    right = (weighted @ pixels.transpose(0, 2, 1)).astype(np.float64)
    return np.asarray(np.linalg.solve(matrix, right)[..., 0])


def _columns(cover: Floats32, amp: Floats, corner: Index, centre: Floats, size: Floats) -> Floats32:
    """Derivatives of the model (P, 6, n·n): by ring, disc, background, u, v, scale.

    Differences of fourth order: edges are about as wide as a pixel, and a plain central difference would
    flatten them so much that the steps overshoot.
    """
    p, n = len(cover), cover.shape[1] - 2 * PAD
    a = amp.astype(np.float32)
    model = cover[..., 0] * a[:, :1, None] + cover[..., 1] * a[:, 1:2, None]
    columns = np.empty((p, 6, n, n), np.float32)
    columns[:, 0], columns[:, 1] = cover[:, PAD:-PAD, PAD:-PAD, 0], cover[:, PAD:-PAD, PAD:-PAD, 1]
    columns[:, 2] = 1.0
    along = model[:, PAD:-PAD]
    near, far = along[:, :, 1:-3] - along[:, :, 3:-1], along[:, :, :-4] - along[:, :, 4:]
    np.subtract(near * np.float32(2 / 3), far * np.float32(1 / 12), out=columns[:, 3])
    along = model[:, :, PAD:-PAD]
    near, far = along[:, 1:-3] - along[:, 3:-1], along[:, :-4] - along[:, 4:]
    np.subtract(near * np.float32(2 / 3), far * np.float32(1 / 12), out=columns[:, 4])
    grid = np.arange(n)
    per = 1.0 / size[:, None]
    du = ((corner[:, :1] + grid - centre[:, :1]) * per).astype(np.float32)[:, None, :]
    dv = ((corner[:, 1:] + grid - centre[:, 1:]) * per).astype(np.float32)[:, :, None]
    np.multiply(columns[:, 3], du, out=columns[:, 5])
    columns[:, 5] += columns[:, 4] * dv
    return columns.reshape(p, 6, n * n)


def _solve(
    columns: Floats32, weight: Floats32, part: _Windows, size: Floats, start: Floats, scale_sd: float
) -> tuple[Floats, Floats, Floats32]:
    """Amplitudes and steps (P, 6), inverse normal matrix (P, 6, 6), squared residuals (P, n·n)."""
    weighted = columns * weight
    matrix = (weighted @ columns.transpose(0, 2, 1)).astype(np.float64)
    right = (weighted @ part.pixels.transpose(0, 2, 1)).astype(np.float64)[..., 0]
    matrix[:, 0, 0] += np.where(part.ringed, 1e-3, 1e9)
    matrix[:, range(1, 5), range(1, 5)] += 1e-3
    prior = np.maximum(part.noise, 0.3) ** 2 / scale_sd**2
    matrix[:, 5, 5] += prior
    right[:, 5] += prior * (start - size)
    inverse = np.linalg.inv(matrix)
    change = (inverse @ right[..., None])[..., 0]
    residual = part.pixels[:, 0] - (change.astype(np.float32)[:, None, :] @ columns)[:, 0]
    residual *= residual
    return np.asarray(change, dtype=np.float64), np.asarray(inverse, dtype=np.float64), residual
