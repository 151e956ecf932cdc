"""Simulated hanging feet: the photograph, read with exact points, gives the yaw that is in it."""

import cv2
import numpy as np
import pytest

from fitwright.demo.hanging_photo import hanging_points, render_hanging
from fitwright.demo.riders import RIDERS
from fitwright.studio.hanging_measure import measure_hanging


@pytest.mark.parametrize(("key", "foot"), [("first", "left"), ("second", "right")])
def test_the_photograph_gives_its_yaw_and_length(key, foot, tmp_path):
    out = tmp_path / "h.jpg"
    truth = render_hanging(RIDERS[key], foot, out, 11)
    points = {n: tuple(p) for n, p in truth.data["px"].items()}
    found = measure_hanging(out, foot, points, card="sole")
    assert found.yaw_deg.value == pytest.approx(truth.data["yaw_deg"], abs=0.15)
    assert found.length_mm.value == pytest.approx(truth.data["length_mm"], abs=1.0)
    by_hand = measure_hanging(
        out, foot, {n: tuple(p) for n, p in hanging_points(truth, 11).items()}, card="sole"
    )
    assert abs(by_hand.yaw_deg.value - truth.data["yaw_deg"]) < 2 * by_hand.yaw_deg.u


def test_the_picture_stands_upright_and_shows_thigh_and_sole_where_the_truth_says(tmp_path):
    truth = render_hanging(RIDERS["first"], "left", tmp_path / "h.jpg", 12)
    grey = cv2.imread(str(tmp_path / "h.jpg"), cv2.IMREAD_GRAYSCALE)
    assert grey.shape[0] > grey.shape[1]
    px = {n: np.array(p) for n, p in truth.data["px"].items()}
    assert px["toe"][1] < px["heel_centre"][1] < px["knee_front"][1] < px["knee_rear"][1]
    assert px["toe"][0] > px["heel_centre"][0] + 20  # a left foot from below: toes out is clockwise
    u, v = np.rint((px["knee_front"] + px["knee_rear"]) / 2).astype(int)
    assert grey[v - 5 : v + 6, u - 5 : u + 6].mean() < 100  # the thigh; the ceiling beside it is light
    assert grey[v, 40] > 130
