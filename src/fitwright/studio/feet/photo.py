"""A sole photograph on the bench: decoded once, and the card's plane fitted once, while points are picked in it.

Looking for marks, snapping and measuring ask for the same photograph within minutes; the last few are kept in
memory. A medium is stored under its digest, so that what is kept can never be another picture's.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from fitwright.records.media import path_of
from fitwright.records.models import Medium
from fitwright.studio.cameras import card_of_studio, lens_of
from fitwright.vision.lens import LensPrior
from fitwright.vision.photo import card_plane
from fitwright.vision.picture import Picture, read_picture
from fitwright.vision.plane import CardPlane

KEPT = 3
_planes: dict[Hashable, CardPlane] = {}


def picture_of(medium: Medium) -> Picture:
    """The photograph, upright and grey; InputError when it cannot be used."""
    path = path_of(medium)
    return replace(_read(path, path.stat().st_mtime_ns), name=medium.name)


def plane_of(medium: Medium) -> CardPlane:
    """The card's plane in it, by this studio's check bar and what is known of the lens; InputError without a card."""
    picture = picture_of(medium)
    card, lens = card_of_studio(), lens_of(picture)
    key = (medium.sha256, repr(card), _bytes(lens))
    if key not in _planes:
        while len(_planes) >= KEPT:
            _planes.pop(next(iter(_planes)), None)
        _planes[key] = card_plane(picture, card, lens)
    return _planes[key]


@lru_cache(maxsize=KEPT)
def _read(path: Path, stamp_ns: int) -> Picture:
    return read_picture(path)


def _bytes(lens: LensPrior | None) -> bytes:
    return b"" if lens is None else lens.mean.tobytes() + lens.covariance.tobytes()
