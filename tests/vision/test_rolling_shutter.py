"""The rolling shutter: what it does to a side film, what the correction leaves, and what a film can tell of it
(simulated camera and leg)."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from fitwright.motion.side import analyse_side
from fitwright.vision.rolling_shutter import READOUT_PRIOR_S, SHOE, at_one_time, readout, readout_words
from fitwright.vision.sagittal import read_side
from simulated_side import DEPTH_MM, SIDE, SIZE, leg_at, seen, side_tracks, theta_of

LEG = ("pedal_axle", "greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus")
METHOD = {"dimension": "2-D", "state": "dynamic", "landmarks": "stickers"}


def test_sixteen_milliseconds_shift_hip_against_pedal_by_six_degrees_of_crank() -> None:
    """At 90 rpm the crank turns 8.6° during a readout of 16 ms; between hip and pedal lie three quarters of the rows
    when the rider fills the picture. Read with the right readout nothing of it is left."""
    t = np.arange(240) / 60
    close = replace(SIDE, place_mm=(-100.0, 520.0, 3600.0), focal_px=3650.0)

    def place(name: str, times: np.ndarray) -> np.ndarray:
        xy = leg_at(theta_of(times, 90.0))[name]
        return np.column_stack([xy, np.full(len(xy), DEPTH_MM[name])])

    tracks = seen(close, place, ["greater_trochanter", "pedal_axle"], 0.016, t, noise_px=0.0)
    rows = np.mean(tracks.uv_px[..., 1], axis=0)
    share = (rows[1] - rows[0]) / SIZE[1]
    assert share * 0.016 * 90 * 6 == pytest.approx(6.4, abs=0.4)
    times, uv = at_one_time(tracks, 0.016)
    for i, name in enumerate(("greater_trochanter", "pedal_axle")):
        away = uv[5:-5, i] - close.project(place(name, times))[5:-5]
        assert np.sqrt(np.mean(away**2)) < 0.02
    plain = tracks.uv_px[5:-5, 1] - close.project(place("pedal_axle", t + rows[0] / SIZE[1] * 0.016))[5:-5]
    assert np.degrees(np.sqrt(np.mean(np.sum(plain**2, axis=1))) * 3420 / 3650 / 172.5) == pytest.approx(
        6.4, abs=0.6
    )


def test_a_wrong_readout_is_covered_by_what_is_stated() -> None:
    """Readouts spread as the prior says, read without knowing: RMS of error over u near one at BDC and at 90°."""
    rng = np.random.default_rng(4)
    z = []
    pose = leg_at(np.radians(np.arange(360.0)))
    hip, knee, ankle = (pose[n] for n in LEG[1:])
    u, v = hip - knee, ankle - knee
    true = 180 - np.degrees(
        np.arccos(np.sum(u * v, 1) / np.linalg.norm(u, axis=1) / np.linalg.norm(v, axis=1))
    )
    for _ in range(12):
        late = float(np.clip(rng.normal(*READOUT_PRIOR_S), 0.0, 0.02))
        reading = read_side(
            side_tracks(replace(SIDE, roll_deg=rng.normal(0, 1)), 6.0, late), "right", 172.5, 3650.0
        )
        ride = analyse_side(
            reading.trajectories, "right", 172.5, replace(reading.systematic, landmark_u_mm={}), METHOD
        )
        told = ride.quantities["right"]["knee_flexion_deg"]
        z += [(told[e].value - true[k]) / told[e].u for e, k in (("bdc", 180), ("q90", 90))]
    assert 0.4 < np.sqrt(np.mean(np.square(z))) < 1.4


@pytest.mark.parametrize("readout_s", [0.003, 0.010, 0.016, 0.020])
def test_a_stiff_shoe_tells_the_readout_a_little(readout_s: float) -> None:
    tracks = side_tracks(
        replace(SIDE, yaw_deg=3.0, tilt_deg=1.0, roll_deg=0.5), 12.0, readout_s, (*LEG, *SHOE[1:])
    )
    facts = read_side(tracks, "right", 172.5).facts
    assert facts["readout_u_s"] < 0.85 * READOUT_PRIOR_S[1]
    assert abs(facts["readout_s"] - readout_s) < 1.96 * facts["readout_u_s"]
    assert abs(facts["readout_s"] - readout_s) <= abs(READOUT_PRIOR_S[0] - readout_s) + 0.001
    assert "stiff shoe" in facts["words"]["readout"]


def test_ten_minutes_fit_into_the_memory_and_their_middle_tells_the_readout() -> None:
    """The points of 36 000 frames take 7 MB; all that is reckoned with them at once stays below six times as much."""
    tracks = side_tracks(SIDE, seconds=600.0, readout_s=0.016, names=(*DEPTH_MM,))
    tracemalloc.start()
    try:
        facts = read_side(tracks, "right", 172.5).facts
        peak_mb = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    assert peak_mb < 45
    assert facts["readout_u_s"] < 0.85 * READOUT_PRIOR_S[1]
    assert abs(facts["readout_s"] - 0.016) < 2 * facts["readout_u_s"]


def test_the_crank_alone_tells_nothing_of_the_readout() -> None:
    facts = read_side(side_tracks(SIDE, 8.0, 0.020, LEG), "right", 172.5).facts
    assert (facts["readout_s"], facts["readout_u_s"]) == READOUT_PRIOR_S
    assert "not known" in facts["words"]["readout"]


def test_a_shoe_that_bends_tells_less() -> None:
    """Two millimetres of bending, the same in every turn, are not taken for a readout."""
    tracks = side_tracks(SIDE, 12.0, 0.010, (*LEG, *SHOE[1:]))
    k = tracks.names.index("heel")
    uv = tracks.uv_px.copy()
    uv[:, k] += 1.3 * np.cos(theta_of(tracks.time_s) + 0.7)[:, None] * np.array([0.5, -0.9])
    stiff = read_side(tracks, "right", 172.5).facts
    bent = read_side(replace(tracks, uv_px=uv), "right", 172.5).facts
    assert bent["readout_u_s"] > stiff["readout_u_s"]
    assert abs(bent["readout_s"] - 0.010) < 1.96 * bent["readout_u_s"]


def test_a_heel_that_swings_in_its_float_is_not_taken_for_a_readout() -> None:
    """The whole shoe turns by ± 3° about its upright axis, 128 mm beside the mid-plane, early or late in the turn."""
    away = [1e3 * (_readout_of_swinging(when) - 0.010) for when in (-1.0, 0.5, 2.1, 3.7)]
    assert np.sqrt(np.mean(np.square(away))) < 2.3


def _readout_of_swinging(when_rad: float) -> float:
    def place(name: str, times: np.ndarray) -> np.ndarray:
        theta = theta_of(times)
        leg = leg_at(theta)
        xyz = np.column_stack([leg[name], np.full(len(times), DEPTH_MM[name])])
        if name in SHOE[1:]:
            ahead = leg["fifth_metatarsal"] - leg["heel"]
            ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
            turned = np.radians(3.0) * np.cos(theta - when_rad)
            reach = np.sum((leg[name] - leg["pedal_axle"]) * ahead, axis=1)
            xyz[:, :2] += ahead * (turned * (DEPTH_MM[name] - 128.0))[:, None]
            xyz[:, 2] -= turned * reach
        return xyz

    camera = replace(SIDE, yaw_deg=1.0, roll_deg=0.5)
    tracks = seen(camera, place, [*LEG, *SHOE[1:]], 0.010, np.arange(300) / 60)
    return float(read_side(tracks, "right", 172.5).facts["readout_s"])


def test_a_given_readout_is_taken() -> None:
    assert readout(12.0).value == 0.012
    assert readout(12.0).u < READOUT_PRIOR_S[1] / 5
    facts = read_side(side_tracks(SIDE, 5.0, 0.012, (*LEG, *SHOE[1:])), "right", 172.5, readout_ms=12.0).facts
    assert facts["readout_s"] == 0.012
    assert "as given" in readout_words(readout(12.0))
