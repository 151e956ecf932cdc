"""A contrast disc in the picture: its model with motion blur, and the fit that finds its centre.

Model of a marker in one frame (intensities in 8-bit grey levels):

    I(p) = background + a_ring · C(p; R_ring) + a_disc · C(p; R_disc)

with C the coverage of a disc, blurred by the optics (Gaussian, sigma) and by its own motion during the exposure (a
box of length l along the direction of motion). Unblurred by motion, the coverage D depends on the distance from the
centre alone, and the motion blur is its mean along the sweep:

    C(x, y) = ∫ D(√((x − s·l)² + y²)) ds,   s = −1/2 … 1/2, x along the motion,

by Gauss–Legendre with about one node per width of an edge (an integrand as smooth as the optics' blur needs no more).
The fit is Gauss–Newton over centre and scale, with the three amplitudes (the marker's own gain and offset, so that
flicker does not matter) solved in the same step; `fitwright.vision.disc_kernel` holds the compiled loop.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.disc_kernel import FIT, THIN_PX, coverage, fit_markers
from fitwright.vision.video import Luma

Floats32 = NDArray[np.float32]
Index = NDArray[np.intp]
ITERATIONS, SCALE_SD, GOOD_ENOUGH_PX = 8, 0.01, 0.06
"""The usual ones of `fit_discs`, for those who call the compiled fit themselves."""


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
        return self.ring_px > self.disc_px + THIN_PX

    def coverage(self, i: int, half: int, blur_px: Floats, scale: float) -> Floats32:
        """Coverage (2, n, n) of marker i's ring and disc on a square of n = 2 · half + 1 samples around it.

        Args:
            blur_px: (2,) displacement during the exposure.
        """
        cover: Floats32 = coverage(
            self.ring_px[i], self.disc_px[i], self.sigma_px[i], half, blur_px[0], blur_px[1], scale
        )
        return cover


def compiled_before() -> bool:
    """Whether the compiled loops are kept on disk from an earlier run; the first film waits for them."""
    kept, line = Path(fit_markers.stats.cache_path), fit_markers.py_func.__code__.co_firstlineno
    return any(kept.glob("disc_kernel.fit_markers-" + str(line) + ".*.nbi"))


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


def fit_discs(
    shape: DiscShape, index: Index, luma: Luma | Floats32, per_grey: float, uv_px: Floats, blur_px: Floats,
    scale: Floats, amplitudes: Floats | None, noise: Floats, background_sd: Floats,
    iterations: int = ITERATIONS, scale_sd: float = SCALE_SD, good_enough_px: float = GOOD_ENOUGH_PX,
) -> DiscFit:  # fmt: skip
    """Find the centres of P markers in a picture by Gauss–Newton.

    Args:
        shape, index: shapes, and (P,) which of them these markers are. luma: (h, w) the picture; what would lie
            beyond its edge takes no part. per_grey: 8-bit grey levels per unit of the picture.
        uv_px, blur_px, scale: where to start, (P, 2), (P, 2), (P,).
        amplitudes: (P, 3) of the frame before, or None.
        noise: (P,) SD of a pixel, grey levels. background_sd: (P,) how far the background is from even.
        scale_sd: how far the scale may move from where it starts (a prior, as a share).
        good_enough_px: a marker whose step is smaller is done (the next step would be a tenth of it).
    """
    fits = np.zeros(len(index), FIT)
    for name in ("ring_px", "disc_px", "sigma_px"):
        fits[name] = getattr(shape, name)[index]
    fits["uv"], fits["speed"], fits["scale"] = uv_px, blur_px, scale
    fits["noise"], fits["uneven"] = noise, background_sd
    fits["amplitudes"] = 0.0 if amplitudes is None else amplitudes
    fit_markers(
        fits, len(fits), luma, per_grey, 1.0, amplitudes is not None, iterations, scale_sd, good_enough_px
    )
    return DiscFit(*(fits[n] for n in ("uv", "scale", "amplitudes", "covariance", "rms", "around", "step")))
