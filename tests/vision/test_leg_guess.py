"""The near leg from a network whose answers are known: squares, tracking, rejection, uncertainty.

The network sees three coloured discs and is exact, so that places, spread and lengths can be stated; the rotation is
checked against scipy.spatial.transform.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fitwright.errors import InputError
from fitwright.foot.marks_prior import FIFTH_HEAD
from fitwright.vision.landmark_net import LandmarkNet
from fitwright.vision.leg_guess import SIDE_PX, Square, Surround, points_of, scale_of, watch, whole
from landmark_file import discs, onnx_body

SIZE = (480, 640)
LEG = np.array([[300.0, 210.0], [380.0, 290.0], [330.0, 400.0]])
"""Hip, knee, ankle."""


@pytest.fixture(scope="module")
def nets(tmp_path_factory):
    """name → network: 33 or 39 places, and one whose knee partly stays where it is in the square."""
    folder = tmp_path_factory.mktemp("nets")
    made = {"33": onnx_body(), "39": onnx_body(39), "wavering": onnx_body(stuck=0.5)}
    out = {}
    for name, data in made.items():
        (folder / name).write_bytes(data)
        out[name] = LandmarkNet(folder / name, "onnx")
    return out


def frames(*legs):
    return [(0.1 * i, discs(SIZE, leg)) for i, leg in enumerate(legs)]


def looked(net, *legs, side="right", box=None):
    return watch(net, frames(*legs), side, whole((SIZE[1], SIZE[0]), box))


def test_a_square_maps_there_and_back():
    square = Square(np.array([300.0, 200.0]), 512.0, np.radians(30.0))
    inside = np.array([[128.0, 128.0], [128.0, 28.0]])
    turned = Rotation.from_euler("z", 30, degrees=True).as_matrix()[:2, :2]
    wanted = square.middle + (inside - SIDE_PX / 2) * 2 @ turned.T
    assert square.out(inside) == pytest.approx(wanted)
    assert square.moved(0.1, 0, 2).middle == pytest.approx([351.2, 200])
    upright = Square(np.array([320.0, 240.0]), 640.0)
    cut = upright.cut(discs(SIZE, LEG))
    v, u = np.nonzero(cut[..., 1] > 128)
    assert upright.out(np.array([[u.mean(), v.mean()]]))[0] == pytest.approx(LEG[1], abs=2.0)


@pytest.mark.parametrize("name", ["33", "39"])
@pytest.mark.parametrize("side", ["left", "right"])
def test_a_steady_leg_is_found_in_every_frame(nets, name, side):
    ways = list(LEG + np.arange(6)[:, None, None] * [3.0, 2.0])
    for look, leg in zip(looked(nets[name], *ways, side=side), ways, strict=True):
        assert look.rejected == ""
        assert look.leg_px[:3] == pytest.approx(leg, abs=1.0)
        assert look.leg_px[3] == pytest.approx(1.2 * leg[2] - 0.2 * leg[1], abs=1.0)
        assert look.spread_deg < 1.0


def test_a_box_is_where_it_looks_first(nets):
    first = looked(nets["33"], *[LEG] * 4, box=(250, 150, 450, 450))[0]
    assert first.leg_px[1] == pytest.approx(LEG[1], abs=1.0)
    for box in ((-1, 0, 100, 100), (0, 0, 700, 100), (50, 50, 60, 200), (200, 0, 100, 100)):
        with pytest.raises(InputError, match="box"):
            whole((640, 480), box)


def test_a_frame_whose_knee_wavers_between_squares_is_rejected(nets):
    for look in looked(nets["wavering"], *[LEG] * 5):
        assert look.spread_deg > 3.0
        assert "knee’s angle differs" in look.rejected


@pytest.mark.parametrize(
    ("longer", "words"), [(0.12, "shank is 12% longer"), (-0.12, "shank is 12% shorter")]
)
def test_a_segment_off_its_median_rejects_that_frame_only(nets, longer, words):
    odd = LEG.copy()
    odd[2] += longer * (LEG[2] - LEG[1])
    looks = looked(nets["33"], LEG, LEG, odd, LEG, LEG)
    assert [bool(k.rejected) for k in looks] == [False, False, True, False, False]
    assert words in looks[2].rejected


def test_a_segment_within_the_usual_scatter_is_kept(nets):
    near = LEG.copy()
    near[2] += 0.04 * (LEG[2] - LEG[1])
    assert not any(k.rejected for k in looked(nets["33"], LEG, LEG, near, LEG, LEG))


def test_without_a_person_it_says_so_and_finds_one_that_comes(nets):
    empty = np.zeros((*SIZE, 3), np.uint8)
    seen = frames(*[LEG] * 6)
    looks = watch(nets["33"], [(0.0, empty), *((t + 0.1, p) for t, p in seen)], "right", whole((640, 480)))
    assert "no person is seen" in looks[0].rejected
    assert not looks[-1].rejected
    few = watch(nets["33"], seen[:2], "right", whole((640, 480)))
    assert all("too few frames" in k.rejected for k in few)


def test_scale_from_crank_then_wheel_then_shank(nets):
    looks = looked(nets["33"], *[LEG] * 4)
    ends = {"pedal_axle": np.array([100.0, 300.0]), "bottom_bracket": np.array([100.0, 386.25])}
    crank = scale_of(looks, Surround(ends, crank_mm=172.5))
    assert crank.px_per_mm == pytest.approx(0.5, rel=0.03)
    assert "crank" in crank.how
    rim = {"rear_axle": np.array([100.0, 300.0])} | {
        f"rear_rim_{k}": np.array([100.0 + x, 300.0 + y])
        for k, (x, y) in enumerate(((170, 0), (0, 170), (-170, 0), (0, -170)), 1)
    }
    wheel = scale_of(looks, Surround(rim, wheel_mm=680.0))
    assert wheel.px_per_mm == pytest.approx(0.5, rel=0.03)
    assert "wheel" in wheel.how
    usual = scale_of(looks)
    shank_px = float(np.hypot(*(LEG[2] - LEG[1])))
    assert "shank" in usual.how
    assert usual.px_per_mm >= shank_px / 423.0  # cautious: a short rider's, so that u is never too small


def test_u_is_never_less_than_25_mm_at_hip_and_knee_and_35_at_the_foot(nets):
    looks = looked(nets["33"], *[LEG] * 4)
    ends = {"pedal_axle": np.array([100.0, 300.0]), "bottom_bracket": np.array([100.0, 386.25])}
    told = points_of(looks[0], scale_of(looks, Surround(ends, crank_mm=172.5)))
    assert list(told) == [
        "greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "heel", "fifth_metatarsal",
    ]  # fmt: skip
    least = {
        n: 0.5 * (25.0 if n in ("greater_trochanter", "lateral_femoral_condyle") else 35.0) for n in told
    }
    assert all(told[n].u_px >= least[n] for n in told)
    heel, ball = np.array(told["heel"].uv_px), np.array(told["fifth_metatarsal"].uv_px)
    tip = looks[0].leg_px[4]
    assert ball == pytest.approx(heel + FIFTH_HEAD.value * (tip - heel))
