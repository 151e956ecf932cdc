"""What is hard about a simulated film: its clock, its light, its noise, the clothes, and a hand in the way."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from fitwright.demo.figure import RGB, Outline
from fitwright.demo.stickers import OUTER_MM, StickerTrack
from fitwright.quantity import Floats

TIMESCALE = 90_000


@dataclass(frozen=True)
class Conditions:
    """What is hard about a film.

    Attributes: noise_dn: sensor noise, grey levels. drift, flicker: slow drift and 100 Hz flicker of the light,
    shares. jitter_s of the time stamps. lost: share of frames. pattern_dn: contrast of the clothes' pattern, grey
    levels, SD. covered_s: so long a hand lies over the hip, again and again.
    """

    noise_dn: float = 1.6
    drift: float = 0.02
    flicker: float = 0.008
    jitter_s: float = 0.35e-3
    lost: float = 1 / 150
    pattern_dn: float = 0.0
    covered_s: float = 0.0


USUAL = Conditions()


def frame_times(
    seconds: float, fps: float, rng: np.random.Generator, conditions: Conditions = USUAL
) -> np.ndarray:
    """(F,) int pts in 1/90000 s, as a phone stamps: rate 0.06 % off, jitter, some frames lost."""
    n, most = round(seconds * fps), min(3.4 * conditions.jitter_s, 0.45 / fps)
    ideal = np.arange(n) / fps * 1.0006
    jitter = np.clip(rng.normal(0, conditions.jitter_s, n), -most, most)
    jitter[0] = 0.0
    keep = rng.uniform(size=n) > conditions.lost
    keep[0] = True
    pts = np.rint((ideal + jitter) * TIMESCALE).astype(np.int64)[keep]
    return np.asarray(np.maximum.accumulate(pts + np.arange(pts.size) * 0))


def light(pts_s: Floats, rng: np.random.Generator, conditions: Conditions = USUAL) -> Floats:
    """(F,) gain: slow drift and mains flicker (100 Hz)."""
    drift = conditions.drift * np.sin(2 * np.pi * pts_s / 9.0 + rng.uniform(0, 6.28))
    return np.asarray(
        0.985 + drift + conditions.flicker * np.sin(2 * np.pi * 100 * pts_s + rng.uniform(0, 6.28))
    )


@lru_cache(maxsize=1)
def noise_fields(seed: int, h: int, w: int, sd: float) -> tuple[np.ndarray, np.ndarray]:
    """Whole-number sensor noise, its positive and its negative part, larger than a frame so that it can shift."""
    rng = np.random.default_rng([seed, 32])
    n = np.rint(rng.standard_normal((h + 256, w + 256), dtype=np.float32) * sd)
    return np.maximum(n, 0).astype(np.uint8), np.maximum(-n, 0).astype(np.uint8)


# --- clothes ---

GRAIN_PX, SHEET_PX = 2.2, 768


@dataclass(frozen=True)
class Pattern:
    """A woven pattern that every part of the body in one of `colours` carries; it moves, turns and stretches with it.

    Attributes: sheet (768, 768) float32 grey levels about 0; contrast_dn: their SD.
    """

    sheet: np.ndarray
    colours: frozenset[RGB]

    @staticmethod
    def woven(contrast_dn: float, colours: frozenset[RGB], seed: int) -> Pattern:
        """Spots without order, some pixels large, none like the next."""
        rng = np.random.default_rng([seed, 35])
        spots = cv2.GaussianBlur(
            rng.standard_normal((SHEET_PX, SHEET_PX), dtype=np.float32), (0, 0), GRAIN_PX
        )
        return Pattern(spots * np.float32(contrast_dn / spots.std()), colours)

    def lay(
        self, layer: np.ndarray, group: tuple[Outline, ...], i: int, after_s: float, origin: tuple[int, int]
    ) -> None:
        """Adds it to what is drawn of a group in frame i, `after_s` from the mid-exposure.

        Where parts overlap the last one's shows.
        """
        if group[0].part.rgb not in self.colours:
            return
        plain = layer.copy()
        for o in group:
            edge = np.rint(o.polygons(i, after_s)[0] - np.array(origin)).astype(np.int32)
            x, y, w, h = cv2.boundingRect(edge)
            x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + w, layer.shape[1]), min(y + h, layer.shape[0])
            if x0 >= x1 or y0 >= y1:
                continue
            mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
            cv2.fillConvexPoly(mask, edge - np.array([x0, y0], np.int32), 1)
            place = self._from_picture(o, i, after_s, (origin[0] + x0, origin[1] + y0))
            cloth = cv2.warpAffine(self.sheet, place, (x1 - x0, y1 - y0), borderMode=cv2.BORDER_WRAP,
                                   flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)  # fmt: skip
            woven = np.clip(np.rint(plain[y0:y1, x0:x1] + cloth), 0, 255).astype(np.uint8)
            cv2.copyTo(woven, mask, layer[y0:y1, x0:x1])

    @staticmethod
    def _from_picture(o: Outline, i: int, after_s: float, corner: tuple[int, int]) -> np.ndarray:
        """(2, 3) pixels, counted from `corner`, to the sheet: the part's first and last sphere keep their places."""
        now = o.centre_px[i] + after_s * o.speed_px_s[i]
        a, b = (complex(*(now[k] - corner)) for k in (0, -1))
        long = abs(complex(*(o.centre_px[0, -1] - o.centre_px[0, 0])))
        turn = long / (b - a)
        start = complex(SHEET_PX / 2, SHEET_PX / 2) - turn * a
        return np.array([[turn.real, -turn.imag, start.real], [turn.imag, turn.real, start.imag]])


# --- a hand in the way ---

HAND_MM, EVERY_S, MOVES_S = 62.0, 1.45, 0.12
HAND_DN = 150


@dataclass(frozen=True)
class Hand:
    """A hand that comes from behind, lies over one sticker, and goes again.

    Attributes: over: that sticker. centre_px (F, 2), NaN while it is away; radius_px.
    """

    over: str
    centre_px: Floats
    radius_px: float

    @staticmethod
    def laid_on(track: StickerTrack, times_s: Floats, covered_s: float) -> Hand:
        """Over `track` for `covered_s`, every `EVERY_S`; the first time after that."""
        since = (times_s - times_s[0]) % EVERY_S - (EVERY_S - covered_s - 2 * MOVES_S)
        px_per_mm = float(np.sqrt(abs(np.linalg.det(track.jacobian[0]))))
        away = (
            np.maximum(MOVES_S - since, since - MOVES_S - covered_s) / MOVES_S
        )  # 0 while it lies, 1 when gone
        shift = np.clip(away, 0, 1)[:, None] * [-2.6 * HAND_MM * px_per_mm, 0.0]
        centre = np.where((since >= 0)[:, None], track.centre_px + shift, np.nan)
        return Hand(track.name, centre, HAND_MM * px_per_mm)

    def hides(self, track: StickerTrack) -> np.ndarray:
        """(F,) whether it covers any part of a sticker."""
        reach = OUTER_MM * np.sqrt(np.abs(np.linalg.det(track.jacobian))) + self.radius_px + 2.0
        return np.asarray(np.linalg.norm(track.centre_px - self.centre_px, axis=1) < reach)

    def draw(self, y: np.ndarray, i: int) -> None:
        """Over everything in frame i."""
        if np.isfinite(self.centre_px[i, 0]):
            u, v = np.rint(self.centre_px[i] * 16).astype(int)
            cv2.circle(y, (int(u), int(v)), round(16 * self.radius_px), HAND_DN, -1, cv2.LINE_AA, 4)
