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
STEP = 0.125
"""Spacing of the coverage table, px."""
SHORTEST_BLUR_PX = 0.75
"""Below this length a box blur cannot be told from the optics' own."""
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

    def select(self, index: NDArray[np.intp]) -> DiscTable:
        """The table of some of the markers."""
        part = object.__new__(DiscTable)
        part.shape = DiscShape(
            *(a[index] for a in (self.shape.disc_px, self.shape.ring_px, self.shape.sigma_px))
        )
        part.reach_px, part.rows, part.columns_centre = self.reach_px, self.rows, self.columns_centre
        blocks = self.picture.reshape(-1, self.rows, self.picture.shape[1], 2)
        part.picture = np.ascontiguousarray(blocks[index]).reshape(-1, self.picture.shape[1], 2)
        return part

    def coverage(
        self, corner: NDArray[np.intp], size: int, uv_px: Floats, blur_px: Floats, scale: Floats
    ) -> tuple[Floats32, Floats32]:
        """Coverages on P square windows.

        Args:
            corner: (P, 2) pixel (u, v) of each window's first sample. size: samples per side.
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
        beyond -= (self.shape.ring_px * scale).astype(f32)[:, None, None]
        np.minimum(y, self.rows - 1, out=y)
        y += (np.arange(p, dtype=f32) * self.rows)[:, None, None]
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
    table: DiscTable,
    windows: Floats32,
    corner: NDArray[np.intp],
    uv_px: Floats,
    blur_px: Floats,
    scale: Floats,
    amplitudes: Floats | None,
    noise: Floats,
    background_sd: Floats,
    iterations: int = 3,
    scale_sd: float = 0.01,
    good_enough_px: float = 0.02,
) -> DiscFit:
    """Find the centres of P markers in their windows by Gauss–Newton.

    Args:
        table: of these P markers. windows: (P, n, n) grey levels 0–255. corner: (P, 2) pixel of windows[:, 0, 0].
        uv_px, blur_px, scale: where to start, (P, 2), (P, 2), (P,).
        amplitudes: (P, 3) of the frame before, or None.
        noise: (P,) SD of a pixel, grey levels. background_sd: (P,) how far the background is from even.
        scale_sd: how far the scale may move from where it starts (a prior, as a share).
        good_enough_px: stop when no centre moves by more.
    """
    n = windows.shape[1]
    pixels = np.ascontiguousarray(windows, dtype=np.float32).reshape(len(windows), 1, n * n)
    centre, size, start = uv_px.astype(np.float64).copy(), scale.astype(np.float64).copy(), scale
    amp, uneven = amplitudes, background_sd
    for _ in range(iterations):
        cover, beyond = table.coverage(corner - 1, n + 2, centre, blur_px, size)
        inner = cover[:, 1:-1, 1:-1, :]
        weight = _weights(inner[..., 0], beyond[:, 1:-1, 1:-1], noise, uneven)
        if amp is None:
            amp = _amplitudes(inner, weight, pixels, table.shape.ringed)
        columns = _columns(cover, amp, corner, centre, size)
        step, inverse, left = _solve(
            columns, weight, pixels, table.shape.ringed, noise, size, start, scale_sd
        )
        moved = np.clip(step[:, 3:5], -2.0, 2.0)
        centre = centre + moved
        size = np.clip(size + np.clip(step[:, 5], -0.1, 0.1), 0.5, 2.0)
        amp = step[:, :3]
        length = np.hypot(moved[:, 0], moved[:, 1])
        ring = inner[..., 0].reshape(len(left), -1)
        around = _mean_of(left, (ring < 0.5) & (beyond[:, 1:-1, 1:-1].reshape(ring.shape) < MARGIN_PX)) ** 0.5
        settled = np.all(around < 1.5 * uneven + 2.0)
        # an edge behind the marker (a hem, a shoe) must not pull it: this frame's background counts at once
        uneven = np.maximum(uneven, around)
        if settled and np.all(length < good_enough_px):
            break
    rms = _mean_of(left, (ring > 0.75) | (ring > 0.9 * ring.max(axis=1, keepdims=True))) ** 0.5
    covariance = inverse[:, 3:5, 3:5] * (rms**2)[:, None, None]
    return DiscFit(centre, size, step[:, :3], covariance, rms, around, length)


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


def _columns(
    cover: Floats32, amp: Floats, corner: NDArray[np.intp], centre: Floats, size: Floats
) -> Floats32:
    """Derivatives of the model (P, 6, n·n): by ring, disc, background, u, v, scale."""
    p, n = len(cover), cover.shape[1] - 2
    a = amp.astype(np.float32)
    model = cover[..., 0] * a[:, :1, None] + cover[..., 1] * a[:, 1:2, None]
    columns = np.empty((p, 6, n, n), np.float32)
    columns[:, 0], columns[:, 1], columns[:, 2] = cover[:, 1:-1, 1:-1, 0], cover[:, 1:-1, 1:-1, 1], 1.0
    np.subtract(model[:, 1:-1, :-2], model[:, 1:-1, 2:], out=columns[:, 3])
    np.subtract(model[:, :-2, 1:-1], model[:, 2:, 1:-1], out=columns[:, 4])
    columns[:, 3:5] *= 0.5
    grid = np.arange(n)
    per = 1.0 / size[:, None]
    du = ((corner[:, :1] + grid - centre[:, :1]) * per).astype(np.float32)[:, None, :]
    dv = ((corner[:, 1:] + grid - centre[:, 1:]) * per).astype(np.float32)[:, :, None]
    np.multiply(columns[:, 3], du, out=columns[:, 5])
    columns[:, 5] += columns[:, 4] * dv
    return columns.reshape(p, 6, n * n)


def _solve(
    columns: Floats32, weight: Floats32, pixels: Floats32, ringed: NDArray[np.bool_], noise: Floats,
    size: Floats, start: Floats, scale_sd: float,
) -> tuple[Floats, Floats, Floats32]:  # fmt: skip
    """Amplitudes and steps (P, 6), inverse normal matrix (P, 6, 6), squared residuals (P, n·n)."""
    weighted = columns * weight
    matrix = (weighted @ columns.transpose(0, 2, 1)).astype(np.float64)
    right = (weighted @ pixels.transpose(0, 2, 1)).astype(np.float64)[..., 0]
    matrix[:, 0, 0] += np.where(ringed, 1e-3, 1e9)
    matrix[:, range(1, 5), range(1, 5)] += 1e-3
    prior = np.maximum(noise, 0.3) ** 2 / scale_sd**2
    matrix[:, 5, 5] += prior
    right[:, 5] += prior * (start - size)
    inverse = np.linalg.inv(matrix)
    step = (inverse @ right[..., None])[..., 0]
    residual = pixels[:, 0] - (step.astype(np.float32)[:, None, :] @ columns)[:, 0]
    residual *= residual
    return np.asarray(step, dtype=np.float64), np.asarray(inverse, dtype=np.float64), residual
