"""A contrast disc in the picture: its model with motion blur, and the fit that finds its centre.

Model of a marker in one frame (intensities in 8-bit grey levels):

    I(p) = background + a_ring · C(p; R_ring) + a_disc · C(p; R_disc)

with C the coverage of a disc, blurred by the optics (Gaussian, sigma) and by its own motion during the exposure (a
box of length l along the direction of motion). Because a disc is isotropic, the motion blur is exact from one table
per radius: with F(x, y) = ∫₀ˣ D(s, y) ds of the unblurred coverage D, and x along the motion,

    C(x, y) = (F(x + l/2, y) − F(x − l/2, y)) / l.

The fit is Gauss–Newton over centre and scale, with the three amplitudes (the marker's own gain and offset, so that
flicker does not matter) solved in the same step; `fitwright.vision.disc_kernel` holds the compiled loop.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc

from fitwright.quantity import Floats
from fitwright.vision.disc_kernel import SHORTEST_BLUR_PX, STEP, fit_markers

Floats32 = NDArray[np.float32]
Index = NDArray[np.intp]


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
        self.ringed = shape.ringed
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
    levels = np.zeros((p, 3)) if amplitudes is None else np.array(amplitudes, dtype=np.float64)
    fit = DiscFit(
        np.array(uv_px, dtype=np.float64), np.array(scale, dtype=np.float64), levels, np.zeros((p, 2, 2)),
        np.zeros(p), np.zeros(p), np.full(p, np.inf),
    )  # fmt: skip
    fit_markers(
        table.picture, table.rows, table.shape.ring_px, table.ringed, index, windows, corner, fit.uv_px,
        np.asarray(blur_px, dtype=np.float64), fit.scale, levels, amplitudes is not None, noise, background_sd,
        iterations, scale_sd, good_enough_px, fit.covariance, fit.rms, fit.background_rms, fit.step_px,
    )  # fmt: skip
    return fit
