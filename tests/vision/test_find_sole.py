"""What is found in sole photographs: several soles, mats and lights, rendered with known truth (simulated)."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from fitwright.demo.camera import SimCamera
from fitwright.demo.riders import RIDERS
from fitwright.demo.sole_drawing import outline_mm
from fitwright.demo.sole_look import Look, hard_look
from fitwright.demo.sole_photo import render_sole
from fitwright.foot.frame import from_sole
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.photo import card_plane
from fitwright.vision.picture import read_picture
from fitwright.vision.propose import SoleProposals, propose_sole

SIZE = (2016, 1512)
MARKS = {"heel_centre", "toe", "m1", "m5", "cleat_nose", "cleat_tail", "datum_1", "datum_2", "datum_3"}


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    """Renders, reads and fits: (picture, plane, truth)."""
    folder = tmp_path_factory.mktemp("soles")

    def take(rider="first", foot="left", seed=21, look=None, size=SIZE):
        out = folder / f"{rider}-{foot}-{seed}.jpg"
        who = RIDERS[rider]
        truth = render_sole(who, foot, who.setup.cleat(foot), out, "before", seed, size, look)
        picture = read_picture(out)
        return picture, card_plane(picture), truth

    return take


@pytest.fixture(scope="module")
def plain(shoot):
    picture, plane, truth = shoot()
    return picture, plane, truth, propose_sole(picture, plane, "left")


def errors_px(found, truth):
    return {
        n: np.array(p.uv_px) - truth.data["px"][n] for n, p in found.points.items() if n in truth.data["px"]
    }


def true_outline_px(truth, n=2000):
    d = truth.data
    camera = SimCamera(**{k: v for k, v in d["camera"].items() if k not in ("line_s", "principal_px")})
    mm = from_sole(
        outline_mm(d["length_mm"], n), np.array(d["heel_plane_mm"]), np.array(d["toe_plane_mm"]), d["foot"]
    )
    return camera.project(np.column_stack([mm, np.zeros(n)]))[0]


def test_every_mark_is_proposed_where_it_is(plain):
    _, plane, truth, found = plain
    assert set(found.points) >= MARKS | {"heel_inner", "heel_outer", "bolt_1", "bolt_2", "bolt_3"}
    assert found.notes == ()
    for name, miss in errors_px(found, truth).items():
        assert np.hypot(*miss) < max(4 * found.points[name].u_px, 0.15 * plane.px_per_mm), (name, miss)


def test_the_outline_is_the_true_edge(plain):
    _, plane, truth, found = plain
    edge = true_outline_px(truth).astype(np.float32)
    off = np.array([cv2.pointPolygonTest(edge, (float(u), float(v)), True) for u, v in found.outline_px])
    assert abs(off.mean()) / plane.px_per_mm < 0.06
    assert np.quantile(np.abs(off), 0.95) / plane.px_per_mm < 0.2


@pytest.mark.parametrize(
    ("rider", "foot", "seed"), [("second", "right", 31), ("first", "right", 40), ("second", "left", 35)]
)
def test_other_soles_mats_and_lights(shoot, rider, foot, seed):
    picture, plane, truth = shoot(rider, foot, seed, hard_look(seed))
    found = propose_sole(picture, plane, foot)
    assert set(found.points) >= MARKS
    assert found.looks_like == foot
    for name, miss in errors_px(found, truth).items():
        assert np.hypot(*miss) < max(4 * found.points[name].u_px, 0.25 * plane.px_per_mm), (name, miss)


def test_without_strokes_the_mid_line_is_the_longest_line(shoot):
    picture, plane, truth = shoot(seed=22, look=Look(strokes=False))
    found = propose_sole(picture, plane, "left")
    for name in ("heel_centre", "toe"):
        point, miss = found.points[name], errors_px(found, truth)[name]
        assert "longest line" in point.how
        assert np.hypot(*miss) < 3 * point.u_px
    heel, toe = (plane.places_mm(np.array([found.points[n].uv_px]))[0] for n in ("heel_centre", "toe"))
    true = [plane.places_mm(np.array([truth.data["px"][n]]))[0] for n in ("heel_centre", "toe")]
    turn = np.degrees(np.arctan2(*(toe - heel)[::-1]) - np.arctan2(*(true[1] - true[0])[::-1]))
    assert abs(turn) < 0.2
    assert found.points["cleat_nose"].sure == "a guess"
    for name in ("cleat_nose", "cleat_tail"):
        assert np.hypot(*errors_px(found, truth)[name]) < 3 * found.points[name].u_px


def test_axle_marks_when_they_are_there(shoot):
    picture, plane, truth = shoot(seed=23, look=Look(axle=True))
    found = propose_sole(picture, plane, "left")
    for name in ("axle_inner", "axle_outer"):
        assert np.hypot(*errors_px(found, truth)[name]) < 0.2 * plane.px_per_mm


def test_what_is_not_there_is_absent_with_the_reason(shoot):
    picture, plane, _ = shoot(seed=24, look=Look(tape=False, dots=False))
    found = propose_sole(picture, plane, "left")
    assert not {"m1", "m5", "datum_1"} & set(found.points)
    told = " ".join(found.notes)
    assert "m1 not found" in told
    assert "m5 not found" in told
    assert "0 datum dots found, three are needed" in told


def test_the_other_foots_shoe_is_asked_about_not_refused(plain):
    picture, plane, _, _ = plain
    found = propose_sole(picture, plane, "right")
    assert found.looks_like == "left"
    assert "is this the right shoe?" in found.notes[0]
    assert {"heel_centre", "toe"} <= set(found.points)


def test_two_dots_and_dots_in_line_are_said(plain):
    picture, plane, truth, _ = plain
    cover = picture.grey.copy()
    u, v = np.round(truth.data["px"]["datum_2"]).astype(int)
    cv2.circle(cover, (int(u), int(v)), 14, 150, -1)
    found = propose_sole(replace(picture, grey=cover), plane, "left")
    assert any("2 datum dots found" in n for n in found.notes)


def test_a_sole_cut_off_or_hardly_different_from_the_mat(plain, shoot):
    picture, plane, truth, _ = plain
    u = int(truth.data["px"]["toe"][0])
    cut = np.ascontiguousarray(picture.grey[:, : u - 20])
    small = replace(picture, grey=cut)
    found = propose_sole(small, card_plane(small), "left")
    assert found.points == {}
    assert "cut off by the picture's edge" in found.notes[0]
    mat = int(np.median(picture.grey[-200:]))
    same = np.where((picture.grey > 45) & (picture.grey < 110), mat, picture.grey).astype(np.uint8)
    bare = replace(picture, grey=same)
    found = propose_sole(bare, plane, "left")
    assert found.points == {}
    assert found.notes[0].startswith("sole: ")


def test_a_ruler_beside_the_sole_is_a_straight_edge(plain):
    picture, plane, truth, found = plain
    heel, toe = (np.array(truth.data["px"][n]) for n in ("heel_centre", "toe"))
    right = found.outline_px[:, 0].max() + 20
    turn = np.radians(88.0)
    along = np.array([np.cos(turn), np.sin(turn)])
    a = np.array([right + 30, found.outline_px[:, 1].min() - 80])
    across = np.array([along[1], -along[0]])
    ruler = np.array([a, a + 750 * along, a + 750 * along + 60 * across, a + 60 * across])
    grey = picture.grey.copy()
    cv2.fillPoly(grey, [np.round(ruler * 16).astype(np.int32)], 215, cv2.LINE_AA, 4)
    told = propose_sole(replace(picture, grey=grey), plane, "left")
    assert told.edge_angle is not None
    ends = plane.places_mm(np.array([a, a + 750 * along, heel, toe]))
    edge, axis = ends[1] - ends[0], ends[3] - ends[2]
    true = np.degrees(np.arctan2(edge[1], edge[0]) - np.arctan2(axis[1], axis[0]))
    assert abs(abs(told.edge_angle.value) - min(true % 180, 180 - true % 180)) < 4 * told.edge_angle.u + 0.05
    assert found.edge_angle is None


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda g: cv2.GaussianBlur(g, (0, 0), 3.2), "blurred (edges spread over"),
        (lambda g: (g * 0.28).astype(np.uint8), "the picture is dark: use more light"),
        (lambda g: np.clip(g * 1.35, 0, 255).astype(np.uint8), "overexposed: white paper is burnt out"),
        (lambda g: (140 + g * 0.2).astype(np.uint8), "little contrast: wipe the lens"),
    ],
    ids=["blurred", "dark", "overexposed", "flat"],
)
def test_a_bad_photograph_says_which_and_what_to_do(plain, spoil, told):
    picture, _, _, good = plain
    bad = replace(picture, grey=spoil(picture.grey))
    notes = propose_sole(bad, card_plane(bad), "left").notes
    assert told in " ".join(notes)
    assert not any(told in n for n in good.notes)


def test_a_sole_over_a_strip_is_said(plain):
    picture, _, _, found = plain
    lowest = found.outline_px[np.argmax(found.outline_px[:, 1])]
    grey = picture.grey.copy()
    cv2.ellipse(grey, (int(lowest[0]), int(lowest[1])), (160, 60), 0, 0, 360, 70, -1)
    assert not any("something lies" in n for n in found.notes)
    over = replace(picture, grey=grey)
    assert any(
        "something lies over the edge of strip B" in n
        for n in propose_sole(over, card_plane(over), "left").notes
    )


def test_a_card_printed_at_another_scale_is_doubted(plain):
    """At 70 % (two pages on one sheet) a 281 mm sole would be 401 mm long; at 82 % 343 mm."""
    picture = plain[0]
    strips = tuple(s.scaled(1 / 0.82) for s in SCALE_CARD.strips)
    plane = card_plane(picture, replace(SCALE_CARD, strips=strips))
    assert any("printed at another scale" in n for n in propose_sole(picture, plane, "left").notes)
    strips = tuple(s.scaled(1 / 0.70) for s in SCALE_CARD.strips)
    plane = card_plane(picture, replace(SCALE_CARD, strips=strips))
    assert "print scale" in propose_sole(picture, plane, "left").notes[0]


def test_proposals_survive_json(plain):
    found = plain[3]
    again = SoleProposals.from_json(json.loads(json.dumps(found.to_json())))
    assert again.points == found.points
    assert again.outline_mm == pytest.approx(found.outline_mm, abs=0.006)
    assert again.notes == found.notes
