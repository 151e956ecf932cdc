"""Side, front and sole drawings: geometry read back from the picture."""

import math
from dataclasses import replace

import numpy as np
import pytest

from fitwright.foot.frame import in_sole
from fitwright.foot.sole import CleatPose
from fitwright.quantity import Measured
from fitwright.sheets.callouts import Callout
from fitwright.sheets.front_drawing import FrontFigure, front_svg
from fitwright.sheets.rider_drawing import RiderFigure, rider_svg
from fitwright.sheets.sole_drawing import SoleFigure, soles_svg
from fitwright.sheets.sole_shapes import cleat_outline, ellipse95, sole_outline
from fitwright.sheets.strip import Reading


def _bones(root, numbers):
    """Hip, knee, ankle, axle of the drawn near leg: the only bold polyline of four points."""
    return next(
        p for e in root.iter() if e.tag.endswith("path") and e.get("stroke-width") == "2.2"
        for p in [numbers(e.get("d"))] if len(p) == 4
    )  # fmt: skip


def _flexion(bones):
    thigh, shank = bones[1] - bones[0], bones[2] - bones[1]
    return math.degrees(math.acos(thigh @ shank / np.linalg.norm(thigh) / np.linalg.norm(shank)))


def test_the_drawn_knee_shows_the_worked_angle(svg, numbers, rider):
    root = svg(rider_svg(rider, "paper"))
    bones = _bones(root, numbers)
    assert _flexion(bones) == pytest.approx(33.80, abs=0.1)
    lengths = np.linalg.norm(np.diff(bones, axis=0), axis=1)
    assert lengths[1] / lengths[0] == pytest.approx(420 / 405, abs=2e-3)
    assert "knee flexion 33.8" in root[1].text
    assert "Crank at 173°" in root[1].text


def test_the_left_side_faces_left(svg, numbers, rider):
    right = _bones(svg(rider_svg(rider, "paper")), numbers)
    left = _bones(svg(rider_svg(replace(rider, side="left"), "paper")), numbers)
    assert (right[1] - right[0])[0] > 0 > (left[1] - left[0])[0]
    assert _flexion(left) == pytest.approx(_flexion(right), abs=0.05)


def test_callouts_do_not_overlap_and_may_be_links(svg, rider):
    root = svg(rider_svg(rider, "page"))
    assert [a.get("href") for a in root.iter("{http://www.w3.org/2000/svg}a")] == ["/k"]
    labels = [
        (float(e.get("x")), float(e.get("y")), e.text) for e in root.iter()
        if e.tag.endswith("text") and e.get("font-size") in ("11", "15")
    ]  # fmt: skip
    assert len(labels) > 12
    for k, (x, y, _) in enumerate(labels):
        assert all(abs(y - y2) >= 10 or abs(x - x2) > 100 for x2, y2, _ in labels[k + 1 :])


@pytest.mark.parametrize("missing", ["leg", "contact", "shoulder_mm", "elbow_mm", "hand_mm"])
def test_what_is_missing_is_left_out(svg, rider, missing):
    text = rider_svg(replace(rider, **{missing: None}))
    svg(text)
    words = {e.text for e in svg(text).iter() if e.tag.endswith("text")}
    gone = {
        "leg": "knee flexion, least",
        "contact": "saddle height",
        "shoulder_mm": "trunk to horizontal",
    }.get(missing)
    assert gone not in words
    if missing == "shoulder_mm":
        assert "upper body not measured, dotted for orientation" in words


def test_nothing_at_all_and_a_leg_that_cannot_turn(svg, rider):
    assert "nothing measured yet" in rider_svg(RiderFigure())
    impossible = replace(rider.leg, thigh_mm=210, shank_mm=210)
    text = rider_svg(replace(rider, leg=impossible))
    assert "knee flexion, least" not in {e.text for e in svg(text).iter() if e.tag.endswith("text")}


def test_drawn_from_curves_before_there_is_a_twin(svg, numbers, rider, leg, knee_curve):
    from fitwright.linkage.leg import solve

    pose = solve(leg)
    curves = {
        f"{p}_{a}": replace(knee_curve(), name=f"{p}_{a}", unit="mm", mean=np.asarray(getattr(pose, f"{q}_{a}")))
        for p, q in (("hip", "hip"), ("knee", "knee"), ("ankle", "malleolus")) for a in "xy"
    }  # fmt: skip
    root = svg(rider_svg(replace(rider, leg=None, curves=curves), "paper"))
    assert _flexion(_bones(root, numbers)) == pytest.approx(33.80, abs=0.1)


def test_knee_path_lies_where_it_was_measured(svg, numbers, knee_curve, leg, contact):
    out = replace(knee_curve(), mean=np.linspace(-20, 30, 360))
    figure = FrontFigure({"right": out, "left": out}, leg={"right": leg}, contact=contact)
    root = svg(front_svg(figure, "paper"))
    dash = [e for e in root.iter() if e.tag.endswith("line") and e.get("stroke-dasharray") == "5 4"]
    for side, color, pedal_line in (("right", "#D55E00", dash[0]), ("left", "#0072B2", dash[1])):
        path = next(
            e
            for e in root.iter()
            if e.tag.endswith("path") and e.get("stroke") == color and e.get("stroke-width") == "2"
        )
        x, pedal = numbers(path.get("d"))[:, 0], float(pedal_line.get("x1"))
        middle = float(root.get("viewBox").split()[2]) / 2
        assert (pedal < middle) == (side == "right"), "the rider's right is on the left of the picture"
        unit = abs(pedal - middle) / contact.pedal_out_mm(side)
        outward = (pedal - x) / unit if side == "right" else (x - pedal) / unit
        assert outward[:-1] == pytest.approx(out.mean[::4], abs=0.1)


def test_front_without_anything_and_with_gaps(svg, knee_curve):
    assert "No knee path measured yet" in svg(front_svg(FrontFigure()))[1].text
    nothing = replace(knee_curve(), mean=np.full(360, np.nan))
    half = replace(knee_curve(), mean=np.where(np.arange(360) < 200, np.nan, 5.0))
    callout = Callout("knee_top_left", "out at the top", (Reading("left", Measured(5, 1, "mm")),))
    text = front_svg(FrontFigure({"left": nothing, "right": half}, {"left": half}, callouts=(callout,)))
    svg(text)


def test_a_toed_out_foot_shows_a_cleat_turned_inward(svg, numbers, sole):
    """ψ is the foot's toe-out at mid-float, so in the foot's own picture the cleat's nose points inward."""
    for foot, seen, way in (
        ("right", "above", -1),
        ("left", "above", 1),
        ("right", "below", 1),
        ("left", "below", -1),
    ):
        root = svg(soles_svg([sole(foot)], "paper", seen=seen, width=220))
        axis = next(e for e in root.iter() if e.tag.endswith("line") and e.get("stroke-dasharray") == "2 2")
        dx, dy = (float(axis.get(f"{a}2")) - float(axis.get(f"{a}1")) for a in "xy")
        assert math.degrees(math.atan2(dx, -dy)) == pytest.approx(way * 9.0, abs=0.1)


def test_m1_is_on_the_inner_side(svg, sole):
    root = svg(soles_svg([sole("left"), sole("right")], "paper", seen="above"))
    at = {e.text: [] for e in root.iter() if e.text in ("M1", "M5")}
    for e in root.iter():
        if e.text in at:
            at[e.text].append(float(e.get("x")))
    assert max(at["M1"]) - min(at["M1"]) < max(at["M5"]) - min(at["M5"])


def test_states_of_a_cleat(sole, pose):
    before = replace(pose, x_mm=193.0)
    text = soles_svg([sole("left", before=before, start=replace(pose, x_mm=180.0))], "paper")
    assert text.count('opacity="0.45"') == 1, "only the cleat as it is now is filled"
    assert 'stroke-dasharray="4 2.8"' in text, "the wish is dashed"
    assert "95 % ellipses drawn 10×" in text


def test_soles_with_little_or_nothing(svg):
    assert "nothing measured yet" in soles_svg([])
    text = soles_svg([SoleFigure("left"), SoleFigure("right", 250, bolt_pattern="two-bolt")])
    assert "The outline is a plain sole, not measured." in svg(text)[1].text
    svg(
        soles_svg([SoleFigure("left", outline_mm=sole_outline(280.0), start=CleatPose(180, 0, 4, np.eye(3)))])
    )


def test_plain_outlines_have_the_asked_size():
    outline = sole_outline(281.0, 96.0)
    assert np.ptp(outline[:, 0]) == pytest.approx(281.0, abs=1e-6)
    assert outline[:, 0].min() == pytest.approx(0, abs=1e-9)
    assert np.ptp(outline[:, 1]) == pytest.approx(96.0, abs=1e-6)
    for pattern, (long, wide) in {"three-bolt": (66, 60), "two-bolt": (52, 32)}.items():
        cleat = cleat_outline(pattern)
        assert np.ptp(cleat[:, 0]) == pytest.approx(long, abs=1.5)
        assert np.ptp(cleat[:, 1]) == pytest.approx(wide, abs=1.5)
        assert cleat[:, 1].max() == pytest.approx(-cleat[:, 1].min(), abs=1e-9)


def test_cleat_points_against_the_sole_to_bike_formula(pose):
    """A cleat point carried to the bike at yaw ψ must come out unturned (X(p), W(p) of the frame conventions)."""
    from fitwright.foot.frame import to_bike

    points = np.array([[30.0, 0.0], [0.0, 25.0], [-20.0, -10.0]])
    assert to_bike(in_sole(pose, points), pose.vector[:2], pose.psi_deg) == pytest.approx(points, abs=1e-9)


def test_ellipse_holds_95_percent():
    rng = np.random.default_rng(5)
    cov = np.array([[0.3, 0.1], [0.1, 0.2]])
    sample = rng.multivariate_normal([0, 0], cov, 20000)
    edge = ellipse95(np.zeros(2), cov)
    inside = (
        np.einsum("ij,jk,ik->i", sample, np.linalg.inv(cov), sample)
        <= np.einsum("ij,jk,ik->i", edge, np.linalg.inv(cov), edge).mean()
    )
    assert inside.mean() == pytest.approx(0.95, abs=0.006)
