"""The fitting aid on paper and for the bench, measured on what is drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.foot.fitting_aid import CleatBody, Spot, fitting_aid, spots
from fitwright.foot.frame import in_sole
from fitwright.quantity import Measured
from fitwright.sheets.aid_drawing import AidFigure, aid_svg
from fitwright.sheets.cleat_card import CardFoot
from fitwright.sheets.fitting_aid import (
    AidFoot,
    FittingAid,
    _past_sole,
    fitting_aid_pdf,
    fitting_aid_pen,
    hand_words,
)
from fitwright.sheets.sole_shapes import sole_outline

MM = 25.4 / 72
INK, BLUE, VERMILION = np.array([[0x23, 0x27, 0x2B], [0x00, 0x72, 0xB2], [0xD5, 0x5E, 0x00]]) / 255
SHAPE = np.array(
    [[40.0, 3.0], [10.0, 28.0], [-25.0, 22.0], [-28.0, -20.0], [12.0, -26.0]]
)  # no mirror symmetry
BODY = CleatBody(34, 34, 60, (25, 0), "its front bolt")


@pytest.fixture
def foot(pose, mark) -> AidFoot:
    wish = replace(pose, x_mm=189.5, z_mm=3.2, psi_deg=6.0)
    outline = sole_outline(281.0, 95.0)
    card = CardFoot(
        wish, 281.0, outline_mm=outline, m1=mark(201, -38), m5=mark(172, 44), cleat_outline_mm=SHAPE
    )
    where = spots(wish, BODY, Measured(281, 0.3, "mm"), outline, card.m1, card.m5)
    return AidFoot(card, BODY, fitting_aid(pose, wish, BODY), None, where, ("the yaw is a guess",))


@pytest.fixture
def sheet(foot) -> FittingAid:
    return FittingAid(
        "Studio Lindenhof", "Ilse Varga", "25 November 2026", {"left": foot, "right": foot}, True
    )


def _strokes(page, color):
    """(dashed?, closed outline in mm) of every path of a colour, from the PDF itself."""
    found = []
    for drawing in page.get_drawings():
        if drawing["color"] is None or np.abs(np.array(drawing["color"]) - color).max() > 0.01:
            continue
        points = [p for item in drawing["items"] if item[0] == "l" for p in item[1:3]]
        if points:
            found.append(
                (drawing["dashes"].strip() not in ("", "[] 0"), np.array([[p.x, p.y] for p in points]) * MM)
            )
    return found


def test_the_check_bar_is_100_mm_on_the_page(opened, sheet, paper, paper_size_mm, grey, longest_upright_mm):
    document = opened(fitting_aid_pdf(sheet, paper))
    assert len(document) == 2
    for page in document:
        assert (page.rect.width * MM, page.rect.height * MM) == pytest.approx(paper_size_mm, abs=0.05)
        assert longest_upright_mm(grey(page), 138.0) == pytest.approx(100.0, abs=0.1)


def test_now_is_solid_and_the_wish_dashed_each_where_its_numbers_say(opened, sheet, foot):
    """Sole frame rebuilt from the page alone, on both sides."""
    for side, color, lateral in (("left", BLUE, 1.0), ("right", VERMILION, -1.0)):  # seen from below
        page = opened(fitting_aid_pdf(replace(sheet, feet={side: foot})))[0]
        sole = max((p for _, p in _strokes(page, INK)), key=len)
        heel_y, edge = sole[:, 1].max(), lateral * (lateral * sole[:, 0]).max()
        mid_x = edge - lateral * foot.card.outline()[:, 1].max()
        for pose, dashed in ((foot.aid.now, False), (foot.card.pose, True)):
            cleats = [p for d, p in _strokes(page, color) if d == dashed and 8 <= len(p) <= 12]
            assert cleats, f"no {'dashed' if dashed else 'solid'} cleat on the page"
            found = np.column_stack([heel_y - cleats[0][:, 1], lateral * (cleats[0][:, 0] - mid_x)])
            for corner in in_sole(pose, SHAPE):
                assert np.linalg.norm(found - corner, axis=1).min() < 0.1


def test_the_tape_lines_touch_nose_tail_and_sides_of_the_wish(sheet, foot):
    """Every tape line, rebuilt in the sole frame, runs at nose, tail or side of the wished cleat."""
    pen = fitting_aid_pen(sheet, "left", "a4")
    hair = [
        e for e in pen.root.iter("line") if e.get("stroke") == "#23272b" and e.get("stroke-width") == "0.12"
    ]
    ends = np.array([[[float(e.get(f"{k}{i}")) for k in "xy"] for i in (1, 2)] for e in hair])
    page_heel = 7.5 + 281.0
    mid = (
        np.mean([float(e.get("cx")) for e in pen.root.iter("circle") if e.get("r") == "0.7"])
        - foot.card.pose.z_mm
    )
    along = np.deg2rad(-foot.card.pose.psi_deg)
    sole = np.stack([page_heel - ends[..., 1], ends[..., 0] - mid], axis=-1) - foot.card.pose.vector[:2]
    cleat = sole @ np.array([[np.cos(along), -np.sin(along)], [np.sin(along), np.cos(along)]])
    across = sorted(round(float(c[0, 0]), 2) for c in cleat if abs(c[0, 0] - c[1, 0]) < 0.01)
    beside = sorted(round(float(c[0, 1]), 2) for c in cleat if abs(c[0, 1] - c[1, 1]) < 0.01)
    assert across == [-34.0, 34.0]
    assert beside == [-30.0, 30.0]


def test_the_lines_along_nose_and_tail_end_beside_the_sole_where_their_numbers_are_read(foot):
    sole = foot.card.outline()
    for ahead in (foot.body.nose_mm, -foot.body.tail_mm):
        for way in (-1.0, 1.0):
            x, z = in_sole(foot.card.pose, (ahead, _past_sole(foot.card, ahead, way, 0.0)))
            beside = way * sole[np.abs(sole[:, 0] - x) < 3.0, 1]
            assert way * z > beside.max() + 1.0


def test_words_steps_and_care(opened, sheet):
    text = " ".join(opened(fitting_aid_pdf(sheet))[0].get_text().split())
    told = (
        "left shoe, seen from below, 1:1", "simulated", "its front bolt, nose 3.0° outward", "toe edge to nose",
        "M1 to nose", "the yaw is a guess", "as the part maker states", "Print at 100 %",
    )  # fmt: skip
    for words in told:
        assert words in text, words


def test_everything_stays_on_the_page(opened, sheet, foot, hostile):
    crowded = replace(
        sheet, rider=hostile * 9, studio=hostile * 9, feet={"left": replace(foot, notes=(hostile * 4,))}
    )
    page = opened(fitting_aid_pdf(crowded, "us-letter"))[0]
    assert max(word[2] for word in page.get_text("words")) * MM < 215.9
    assert max(word[3] for word in page.get_text("words")) * MM < 279.4


def test_without_a_wish_there_is_no_paper(sheet):
    with pytest.raises(InputError, match="no first setting yet"):
        fitting_aid_pdf(replace(sheet, feet={}))


def test_without_a_measured_cleat_the_distances_are_given(opened, sheet, foot):
    text = " ".join(
        opened(fitting_aid_pdf(replace(sheet, feet={"left": replace(foot, aid=None)})))[0].get_text().split()
    )
    assert "No cleat measured yet" in text
    assert "heel edge to tail" in text


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_bench_drawing_has_an_arrow_for_each_step_in_the_right_direction(svg, foot, side):
    root = svg(aid_svg(AidFigure(side, foot.card, foot.body, foot.aid)))
    words = ["".join(t.itertext()) for t in root.findall(".//{*}text")]
    sizes = [f"{abs(s.amount):.1f}" + ("°" if s.kind == "turn" else " mm") for s in foot.aid.steps]
    for number, size in enumerate(sizes, 1):
        assert words.index(size) == words.index(str(number)) + 1
    at = {"".join(t.itertext()): float(t.get("x")) for t in root.findall(".//{*}text")}
    lateral = foot.aid.steps[2]
    assert lateral.amount > 0  # outward: to the right of the mid-line on a left sole seen from below
    assert (at[sizes[2]] > 280) == (side == "left")


def test_each_distance_for_the_ruler_says_how_sure_it_is():
    assert (
        hand_words(Spot("M1 to nose", Measured(57.42, 0.1, "mm"))) == "57.5 ± 0.5 mm"
    )  # no finer than the ruler
    assert hand_words(Spot("M1 to nose", Measured(57.42, 0.6, "mm"))) == "57.5 ± 1.2 mm"
