"""What is known of disc markers on their way through a film, in records that compiled code reads and writes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.disc import DiscShape
from fitwright.vision.snap import Spot

HISTORY = 4
"""Last places kept per marker: a polynomial goes through two, three or all four of them."""
ORDERS = HISTORY - 1
MARKER = np.dtype(
    [("times", "f8", HISTORY), ("places", "f8", (HISTORY, 2)), ("known", "i8"),
     ("hint", "f8", 2), ("bend", "f8", 2), ("guesses", "f8", (ORDERS, 2)), ("misses", "f8", ORDERS),
     ("uv", "f8", 2), ("speed", "f8", 2), ("home", "f8", 2), ("lost", "i8"),
     ("ring_px", "f8"), ("disc_px", "f8"), ("sigma_px", "f8"), ("scale", "f8"), ("amplitudes", "f8", 3),
     ("usual_scale", "f8"), ("contrast", "f8"), ("rms", "f8"), ("background", "f8")]
)  # fmt: skip
"""One marker as it was seen last.

Where: times and places, newest first, of which `known` are filled; hint and bend, px/s and px/s², lead on where no
more is known; guesses, what each polynomial expects in this frame; misses, how far each was off lately; uv and speed,
where and how fast it is expected, px and px/s; home, of one that does not go with the rider, NaN for the others;
lost, for how many frames.

How it looks: its shape at scale 1; scale and amplitudes in the last frame; usual_scale, contrast and rms as they
mostly are; background, how uneven what is behind it is.
"""
Markers = NDArray[Any]
"""(P,) records of `MARKER`."""


def shape_of(spots: Sequence[Spot]) -> DiscShape:
    """The shapes of markers as they were found."""
    return DiscShape(
        *(np.array([getattr(s, name) for s in spots]) for name in ("disc_px", "ring_px", "sigma_px"))
    )


def as_found(
    spots: Sequence[Spot], shape: DiscShape, time_s: float, velocity: Floats, bend: Floats, standing: Iterable[int]
) -> Markers:  # fmt: skip
    """Markers in the frame at `time_s`; velocity, bend (P, 2), NaN where not known; `standing`: those at home."""
    m = np.zeros(len(spots), MARKER)
    m["times"], m["places"], m["guesses"], m["home"] = np.nan, np.nan, np.nan, np.nan
    m["times"][:, 0], m["places"][:, 0] = time_s, np.array([s.uv_px for s in spots]).reshape(-1, 2)
    m["home"][list(standing)] = m["places"][list(standing), 0]
    m["hint"], m["bend"] = np.nan_to_num(velocity), np.nan_to_num(bend)
    m["known"] = m["scale"] = m["usual_scale"] = 1
    m["ring_px"], m["disc_px"], m["sigma_px"] = shape.ring_px, shape.disc_px, shape.sigma_px
    m["amplitudes"] = np.array([s.amplitudes for s in spots]).reshape(-1, 3)
    m["contrast"] = m["amplitudes"][:, 1]
    m["rms"] = m["background"] = np.clip([s.rms for s in spots], 0.7, 12.0)
    return m
