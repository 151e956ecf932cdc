"""Camera shake: found from still points, taken off all points, and said when there are none (simulated)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.vision.sagittal import read_side
from fitwright.vision.scene import STEADY_POINTS, Scene
from fitwright.vision.shake import find_shake, tremble_px
from fitwright.vision.track import Tracks
from simulated_side import SIDE, side_tracks

STILL = {"bottom_bracket": (0.0, 0.0, 80.0), "rear_axle": (-415.0, 68.0, 0.0), "front_axle": (585.0, 68.0, 0.0),
         "fixed_1": (-700.0, -260.0, 300.0)}  # fmt: skip


def shaken(tracks: Tracks, shift_px: float = 4.0, turn_deg: float = 0.15, seed: int = 2) -> Tracks:
    """The picture moved as a weak tripod does: slowly (below 3 Hz), shifted and turned about the picture's middle."""
    rng = np.random.default_rng(seed)
    t = tracks.time_s
    wave = [sum(rng.normal() * np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in (0.7, 1.6, 2.7)) / 1.3
            for _ in range(3)]  # fmt: skip
    wave = [w - np.median(w) for w in wave]
    turn = np.exp(1j * np.radians(turn_deg * wave[2]))[:, None]
    z = (tracks.uv_px[..., 0] - 960) + 1j * (tracks.uv_px[..., 1] - 540)
    z = z * turn + shift_px * (wave[0] + 1j * wave[1])[:, None]
    return replace(tracks, uv_px=np.stack([z.real + 960, z.imag + 540], axis=-1))


def knee_off_mm(a: Tracks, b: Tracks) -> float:
    """RMS distance of the knee between two readings, in each frame."""
    knees = [
        read_side(x, "right", 172.5, 3650.0, 10.0).trajectories.point("lateral_femoral_condyle")
        for x in (a, b)
    ]
    off = knees[0] - knees[1]
    return float(np.sqrt(np.mean((off - off.mean(axis=0)) ** 2)))


def test_still_points_take_the_shake_off() -> None:
    """A picture that moves by 4 px and 0.15°: 5 mm at the knee plain, 0.3 mm with still points."""
    names = tuple(STILL)
    calm = side_tracks(SIDE, 8.0, still=STILL)
    rough = shaken(calm)
    riders = [i for i, n in enumerate(calm.names) if n not in names]
    bare = [replace(x, names=tuple(x.names[i] for i in riders), uv_px=x.uv_px[:, riders], u_px=x.u_px[:, riders])
            for x in (calm, rough)]  # fmt: skip
    assert knee_off_mm(*bare) > 4.0
    assert knee_off_mm(calm, rough) < 0.3
    facts = read_side(rough, "right", 172.5, 3650.0, 10.0).facts
    assert facts["shake"]["corrected"]
    assert facts["shake"]["moved_px"] > 2.0
    assert any("taken off" in w for w in facts["words"]["shake"])


def test_one_still_point_takes_the_shift_off() -> None:
    calm = side_tracks(SIDE, 6.0, still={"bottom_bracket": STILL["bottom_bracket"]})
    assert knee_off_mm(calm, shaken(calm, 4.0, 0.0)) < 0.3


def test_a_still_picture_is_left_as_it_is() -> None:
    tracks = side_tracks(SIDE, 4.0, still=STILL)
    shake = find_shake(tracks.names, tracks.uv_px, tracks.u_px, STEADY_POINTS)
    assert not shake.corrected
    assert shake.rest(tracks.uv_px) is tracks.uv_px
    assert shake.words == ()


def test_a_point_that_is_not_still_is_left_out_and_named() -> None:
    tracks = shaken(side_tracks(SIDE, 6.0, still=STILL))
    uv = tracks.uv_px.copy()
    k = tracks.names.index("fixed_1")
    uv[:, k, 0] += 15 * np.sin(2.0 * tracks.time_s)
    shake = find_shake(tracks.names, uv, tracks.u_px, STEADY_POINTS)
    assert shake.strays == ("fixed_1",)
    assert shake.left_px < 0.1
    assert "fixed 1" in shake.words[0]


def test_a_leg_that_passes_over_a_still_point_does_not_matter() -> None:
    tracks = shaken(side_tracks(SIDE, 6.0, still=STILL))
    uv = tracks.uv_px.copy()
    hidden = np.sin(9.2 * tracks.time_s) > 0.6
    uv[hidden, tracks.names.index("bottom_bracket")] = np.nan
    whole = find_shake(tracks.names, tracks.uv_px, tracks.u_px, STEADY_POINTS)
    torn = find_shake(tracks.names, uv, tracks.u_px, STEADY_POINTS)
    assert np.sqrt(np.mean((whole.rest(tracks.uv_px) - torn.rest(tracks.uv_px)) ** 2)) < 0.3


def test_marks_are_where_they_would_be_in_the_picture_at_rest() -> None:
    """Level points marked in a frame that the shake had shifted and turned tell the same roll."""
    lens = replace(SIDE, roll_deg=0.8)
    rough = shaken(side_tracks(lens, 6.0, still=STILL), 5.0, 0.5)
    drop = [i for i, n in enumerate(rough.names) if n not in ("rear_axle", "front_axle")]
    rough = replace(rough, names=tuple(rough.names[i] for i in drop), uv_px=rough.uv_px[:, drop],
                    u_px=rough.u_px[:, drop])  # fmt: skip
    plumb = {"plumb_bottom": (-900.0, -200.0, -900.0), "plumb_top": (-900.0, 1300.0, -900.0)}
    seen = shaken(side_tracks(lens, 6.0, names=("pedal_axle",), still=plumb), 5.0, 0.5)
    marked = 100
    still = {n: seen.uv_px[marked, seen.names.index(n)] for n in plumb}
    scene = Scene(still, marked_s=float(rough.time_s[marked]))
    rest = read_side(rough, "right", 172.5, 3650.0, 10.0, scene).facts
    assert rest["roll_deg"] == pytest.approx(0.8, abs=2.2 * rest["roll_u_deg"])
    assert rest["roll_u_deg"] < 0.25


def test_shake_without_a_still_point_is_said() -> None:
    tracks = shaken(side_tracks(SIDE, 8.0))
    notes = read_side(tracks, "right", 172.5, 3650.0, 10.0).notes
    assert any("trembles" in note and "bottom bracket" in note for note in notes)
    calm = read_side(side_tracks(SIDE, 8.0), "right", 172.5, 3650.0, 10.0).notes
    assert not any("trembles" in note for note in calm)


def test_slant_and_eccentric_marks_are_no_tremble() -> None:
    angle = np.linspace(0, 40 * np.pi, 3000)
    r = 100 + 2 * np.cos(angle + 0.3) + 1.5 * np.sin(2 * angle)
    path = np.column_stack([r * np.sin(angle), -r * np.cos(angle)])
    assert tremble_px(path, angle) < 0.25
    noise = np.random.default_rng(1).normal(0, 1.0, (3000, 2))
    assert tremble_px(path + noise, angle) == pytest.approx(1.0, abs=0.1)


def test_a_lone_mark_that_went_along_with_a_leg_is_not_believed() -> None:
    """The bottom bracket's mark taken over by a shoe that passes: read with it the crank would not even turn."""
    calm = side_tracks(SIDE, 6.0, still={"bottom_bracket": STILL["bottom_bracket"]})
    still, axle = (calm.names.index(n) for n in ("bottom_bracket", "pedal_axle"))
    uv = calm.uv_px.copy()
    uv[150:, still] += 0.6 * (uv[150:, axle] - uv[150, axle])
    lost = replace(calm, uv_px=uv)
    facts = read_side(lost, "right", 172.5, 3650.0, 10.0).facts
    assert facts["shake"]["strays"] == ["bottom_bracket"]
    assert not facts["shake"]["corrected"]
    assert any("crank's circle" in w for w in facts["words"]["shake"])
    assert knee_off_mm(calm, lost) < 0.1
