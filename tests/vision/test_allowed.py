"""What cannot be is taken out of tracks and said: on invented paths of a leg, and one small simulated film."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.vision.allowed import checked, off_ellipse_px
from fitwright.vision.track import track_points
from fitwright.vision.tracks import Tracks, quality_of
from fitwright.vision.video import ClipInfo

LEG = LegTwin(405.0, 420.0, 125.0, 105.0, 172.5, -190.0, 751.0, 15.0, (-6.0, 0.0), (10.4, 0.0))
POINTS = {
    "greater_trochanter": "hip", "lateral_femoral_condyle": "knee", "lateral_malleolus": "malleolus",
    "pedal_axle": "axle",
}  # fmt: skip
INFO = ClipInfo("a.mp4", "h264", 1920, 1080, 60.0, 6.0, 0, 8, 15e6)
T = np.arange(360) / 60


def paths(turn_deg: float = 0.0) -> dict[str, np.ndarray]:
    """Places (T, 2) of the leg's points at 1.2 px per mm, the crank in the picture's lower middle."""
    pose = solve(LEG, np.degrees(T * 90 / 60 * 2 * np.pi) + turn_deg)
    return {
        n: np.stack([900 + 0.8 * np.broadcast_to(getattr(pose, f"{k}_x"), T.shape),
                     850 - 0.8 * np.broadcast_to(getattr(pose, f"{k}_y"), T.shape)], axis=1)
        for n, k in POINTS.items()
    }  # fmt: skip


def tracks(places: dict[str, np.ndarray]) -> Tracks:
    uv = np.stack(list(places.values()), axis=1) + np.random.default_rng(2).normal(
        0, 0.05, (len(T), len(places), 2)
    )
    u = np.where(np.isfinite(uv), 0.05, np.nan)
    quality = {n: quality_of(T, uv[:, i], u[:, i], "disc") for i, n in enumerate(places)}
    return Tracks(tuple(places), T, uv, u, ("disc",) * len(places), INFO, quality)


def test_an_axle_that_does_not_go_round_the_bottom_bracket_is_none():
    """It was lost, and the heel's disc taken for it through most of the film."""
    places = paths()
    places["bottom_bracket"] = np.tile(
        places["pedal_axle"].min(axis=0) / 2 + places["pedal_axle"].max(axis=0) / 2, (len(T), 1)
    )
    assert np.isfinite(checked(tracks(places)).uv_px).all()
    places["pedal_axle"] = places["lateral_malleolus"] + [20.0, 60.0]
    after = checked(tracks(places))
    assert np.isnan(after.uv_px[:, after.names.index("pedal_axle")]).all()
    assert any("not on a circle round the bottom bracket" in n for n in after.notes)


@pytest.mark.parametrize(("fps", "exposure_s", "refused"), [(30.0, 1 / 120, True), (60.0, 1 / 500, False)])
def test_a_film_that_loses_the_leg_for_its_frame_rate_is_refused_with_what_to_do(fps, exposure_s, refused):
    places = paths()
    for name in ("lateral_femoral_condyle", "lateral_malleolus"):
        places[name][30:] = np.nan
    told = replace(tracks(places), info=replace(INFO, fps=fps, exposure_s=exposure_s))
    if not refused:
        assert checked(told).names == told.names
        return
    with pytest.raises(InputError, match=r"too few frames per second .* for this cadence") as wrong:
        checked(told)
    assert "at 60 frames per second, not 30" in str(wrong.value)
    assert "more slowly" in str(wrong.value)


def test_a_leg_that_can_be_is_left_alone():
    before = tracks(paths())
    after = checked(before)
    assert np.array_equal(before.uv_px, after.uv_px)
    assert after.notes == ()


def test_a_point_of_the_foot_off_its_place_beside_the_axle_is_taken_out():
    """An ankle that took another marker 22 px away."""
    places = paths()
    away = places["lateral_malleolus"] - places["pedal_axle"]
    places["lateral_malleolus"][200:210] += 0.17 * away[200:210]
    after = checked(tracks(places))
    i = after.names.index("lateral_malleolus")
    assert np.array_equal(np.flatnonzero(np.isnan(after.uv_px[:, i, 0])), np.arange(200, 210))


def test_what_is_seen_for_a_moment_between_two_gaps_is_not_believed():
    places = paths()
    knee = places["lateral_femoral_condyle"]
    knee[[*range(50, 60), *range(61, 70)]] = np.nan
    knee[120:124] = np.nan
    after = checked(tracks(places))
    seen = np.isfinite(after.uv_px[:, after.names.index("lateral_femoral_condyle"), 0])
    assert not seen[60]
    assert seen[70:120].all()
    assert any("between two gaps" in n and "1 frames" in n for n in after.notes)


def test_an_axle_off_its_circle_is_taken_out_and_said():
    places = paths()
    places["pedal_axle"][100:106] += [25.0, -10.0]
    after = checked(tracks(places))
    i = after.names.index("pedal_axle")
    assert np.array_equal(np.flatnonzero(np.isnan(after.uv_px[:, i, 0])), np.arange(100, 106))
    assert any("off the circle" in n and "6 frames" in n and "1.67 s" in n for n in after.notes)
    assert after.quality["pedal_axle"]["rejected"] == 6


def test_distance_from_an_ellipse_is_that_of_scikit_image():
    """Against the root-finding residuals of skimage.measure.EllipseModel."""
    from skimage.measure import EllipseModel

    rng = np.random.default_rng(3)
    t = rng.uniform(0, 2 * np.pi, 200)
    uv = np.stack([400 + 90 * np.cos(t), 300 + 80 * np.sin(t)], axis=1) + rng.normal(0, 0.3, (200, 2))
    uv[7] += [9.0, -7.0]
    model = EllipseModel.from_estimate(np.delete(uv, 7, axis=0))
    assert np.abs(off_ellipse_px(uv)) == pytest.approx(model.residuals(uv), abs=0.15)


def test_a_point_on_something_else_is_taken_out_by_its_segments():
    places = paths()
    places["lateral_malleolus"][50:58] += [60.0, 70.0]
    after = checked(tracks(places))
    missing = {n: np.flatnonzero(np.isnan(after.uv_px[:, i, 0])) for i, n in enumerate(after.names)}
    assert np.array_equal(missing["lateral_malleolus"], np.arange(50, 58))
    assert all(missing[n].size == 0 for n in after.names if n != "lateral_malleolus")
    assert any("not at its distance from its neighbours" in n for n in after.notes)


def test_where_segments_cannot_tell_which_end_is_wrong_it_is_only_said():
    places = {n: p for n, p in paths().items() if n in ("greater_trochanter", "lateral_femoral_condyle")}
    places["lateral_femoral_condyle"][50:70] += [0.0, 120.0]
    before = tracks(places)
    after = checked(before)
    assert np.array_equal(before.uv_px, after.uv_px)
    assert any("their distance is odd in 6%" in n for n in after.notes)


def test_a_point_of_the_other_leg_is_said():
    other = paths(180.0)
    knee = checked(tracks(paths() | {"lateral_malleolus": other["lateral_malleolus"]}))
    assert any(n.startswith("lateral_malleolus: goes up when the pedal goes down") for n in knee.notes)
    pedal = checked(tracks(paths() | {"pedal_axle": other["pedal_axle"]}))
    assert any(n.startswith("pedal_axle: goes up when lateral_femoral_condyle and") for n in pedal.notes)


def test_a_hidden_point_of_the_other_leg_says_that_too():
    other = paths(180.0)["lateral_malleolus"]
    other[(T * 1.5) % 1 > 0.6] = np.nan
    after = checked(tracks(paths() | {"lateral_malleolus": other}))
    assert any(
        "is hidden in 39% of the frames: it seems to be marked on the other leg" in n for n in after.notes
    )


def test_a_pedal_that_leaves_the_picture_says_where(tmp_path, film_maker):
    """A crank's path that is cut off by the lower edge for a third of each turn."""
    discs = {
        "pedal_axle": film_maker.circle(300.0, 320.0, 75.0),
        "wrist": film_maker.swing(150.0, 90.0, 2.5, 1.5),
    }
    film = film_maker.Film(discs, np.arange(150) / 60, exposure_s=1 / 500)
    told = track_points(film_maker.film_to(tmp_path / "a.mp4", film), 0.0, {
        n: p(np.zeros(1))[0] for n, p in discs.items()
    })  # fmt: skip
    true = discs["pedal_axle"](told.time_s)
    seen = np.isfinite(told.uv_px[:, 0, 0])
    assert seen[true[:, 1] < 345].mean() > 0.92  # the first time it is out its way is not known yet
    assert not seen[true[:, 1] > 368].any()
    assert np.nanmax(np.abs(told.uv_px[:, 0] - true)) < 0.5
    assert told.quality["pedal_axle"]["leaves"] == "bottom"
    assert any("the pedal leaves the picture at the bottom of the turn" in n for n in told.notes)
    assert not any("seen in only" in n for n in told.notes)


def test_a_pedal_that_is_mostly_outside_is_refused_with_the_reason():
    places = paths()
    places["pedal_axle"][places["pedal_axle"][:, 1] > 760] = np.nan
    info_tall = ClipInfo("a.mp4", "h264", 1920, 762, 60.0, 6.0, 0, 8, 15e6)
    made = tracks({"pedal_axle": places["pedal_axle"]})
    after = checked(Tracks(made.names, T, made.uv_px, made.u_px, made.kind, info_tall, made.quality))
    with pytest.raises(InputError, match=r"pedal_axle: leaves the picture at the bottom.*more room"):
        after.require("pedal_axle")
