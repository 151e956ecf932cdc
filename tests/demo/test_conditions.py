"""What makes a simulated film hard: the hand hides what the truth says, and a pattern moves with its limb."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fitwright.demo.camera import studio_camera
from fitwright.demo.conditions import EVERY_S, HAND_DN, TIMESCALE, Conditions, frame_times, light
from fitwright.demo.film import HAND_OVER, prepare
from fitwright.demo.motion3d import ride
from fitwright.demo.riders import FIRST

CAMERA = studio_camera("side", (960, 540), readout_s=0.0)
PTS = np.arange(0, int(1.5 * EVERY_S * 30)) * (TIMESCALE // 30)


def filming(**hard):
    motion = ride(FIRST, FIRST.setup, 3)
    return prepare(motion, CAMERA, PTS, 3, 0.0, steady_light=True, conditions=Conditions(**hard))


def test_a_hand_hides_the_hip_for_as_long_as_it_was_told() -> None:
    film = filming(covered_s=0.3)
    hip = next(t for t in film.tracks if t.name == HAND_OVER)
    hidden = np.flatnonzero(~hip.visible)
    assert 0.3 <= hidden.size / 30 <= 0.3 + 2 * 0.12 + 2 / 30
    assert np.all(np.diff(hidden) == 1)

    def at(i: int) -> float:
        u, v = np.rint(hip.centre_px[i]).astype(int)
        return float(film.frame(i)[v, u])

    assert at(int(hidden[hidden.size // 2])) == HAND_DN
    assert at(int(hidden[0]) - 3) < 60  # the sticker's dark middle
    others = {
        t.name for t in film.tracks if t.name not in (HAND_OVER, "bottom_bracket") and not t.visible.all()
    }
    assert not others


def test_a_pattern_goes_with_its_limb() -> None:
    """A patch of the thigh in one frame, turned and shifted as hip and knee have moved, is that of another frame."""
    film = filming(pattern_dn=20.0)
    thigh = next(o for o in film.before if o.part.spheres[0][0] == "hip_right" and len(o.part.spheres) == 3)
    a, b = 4, 13
    luma = [film.frame(i)[: CAMERA.height].astype(np.float32) for i in (a, b)]
    ends = [thigh.centre_px[i][[0, -1]].astype(np.float32) for i in (a, b)]
    move, _ = cv2.estimateAffinePartial2D(ends[0], ends[1])
    laid = cv2.warpAffine(luma[1], move, (CAMERA.width, CAMERA.height),
                          flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)  # fmt: skip
    u, v = np.rint(ends[0].mean(axis=0)).astype(int)
    patch = (slice(v - 12, v + 13), slice(u - 12, u + 13))
    same = np.corrcoef(luma[0][patch].ravel(), laid[patch].ravel())[0, 1]
    still = np.corrcoef(luma[0][patch].ravel(), luma[1][patch].ravel())[0, 1]
    assert same > 0.8
    assert abs(still) < 0.5
    assert luma[0][patch].std() == pytest.approx(20.0, rel=0.4)


def test_without_conditions_nothing_lies_over_the_rider() -> None:
    film = filming()
    assert film.hand is None
    assert film.pattern is None


def test_time_stamps_jitter_and_frames_are_lost_as_told() -> None:
    rng = np.random.default_rng(1)
    pts = frame_times(60.0, 60.0, rng, Conditions(jitter_s=1e-3, lost=0.1)) / TIMESCALE
    assert pts.size == pytest.approx(3600 * 0.9, rel=0.02)
    off = pts - np.rint(pts / 1.0006 * 60) / 60 * 1.0006
    assert off.std() == pytest.approx(1e-3, rel=0.1)
    assert np.all(np.diff(pts) >= 0)


def test_flicker_beats_at_100_hertz() -> None:
    t = np.arange(0, 2, 1e-3)
    gain = light(t, np.random.default_rng(2), Conditions(drift=0.0, flicker=0.04))
    spectrum = np.abs(np.fft.rfft(gain - gain.mean()))
    assert np.fft.rfftfreq(t.size, 1e-3)[int(spectrum.argmax())] == pytest.approx(100.0)
    assert gain.std() == pytest.approx(0.04 / np.sqrt(2), rel=0.01)
