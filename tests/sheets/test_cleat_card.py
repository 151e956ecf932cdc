"""The 1:1 card, measured on the printed page."""

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.sheets.cleat_card import CardFoot, CleatCard, above_cut, axle_ends, cleat_card_pdf
from fitwright.sheets.position_sheet import SheetLine
from fitwright.sheets.sole_shapes import sole_outline

MM = 25.4 / 72


@pytest.fixture
def card(pose, sole) -> CleatCard:
    figure = sole()
    foot = CardFoot(pose, 281.0, m1=figure.m1, m5=figure.m5, datums=figure.datums)
    hardware = (SheetLine("bolt pattern", "three-bolt"), SheetLine("stack height", "11.5 mm"))
    feet = {"left": foot, "right": foot}
    return CleatCard(
        "Studio Lindenhof", "Ilse Varga", "25 November 2026", feet, True, hardware, "position 14"
    )


def _strokes(page, color):
    """Vector paths of a colour as (n, 2) points in mm, from the PDF itself."""
    paths = []
    for drawing in page.get_drawings():
        if drawing["color"] is None or np.abs(np.array(drawing["color"]) - color).max() > 0.01:
            continue
        points = [p for item in drawing["items"] if item[0] == "l" for p in item[1:3]]
        if points:
            paths.append(np.array([[p.x, p.y] for p in points]) * MM)
    return paths


INK, BLUE, VERMILION = np.array([[0x23, 0x27, 0x2B], [0x00, 0x72, 0xB2], [0xD5, 0x5E, 0x00]]) / 255


def test_the_check_bar_is_100_mm_on_the_page(opened, card, paper, paper_size_mm, grey, longest_upright_mm):
    document = opened(cleat_card_pdf(card, paper))
    assert len(document) == 2
    for page in document:
        size = page.rect.width * MM, page.rect.height * MM
        assert size == pytest.approx(paper_size_mm, abs=0.05)
        assert longest_upright_mm(grey(page), 138.0) == pytest.approx(100.0, abs=0.1)


def test_the_cleat_is_where_the_numbers_say(opened, card, pose):
    """Sole frame rebuilt from the page alone: heel and mid-line from the outline, then the cleat's outline in it."""
    measured = np.array(
        [[40.0, 3.0], [10.0, 28.0], [-25.0, 22.0], [-28.0, -20.0], [12.0, -26.0]]
    )  # no mirror symmetry
    outline = sole_outline(281.0, 95.0)
    foot = replace(card.feet["left"], cleat_outline_mm=measured, outline_mm=outline)
    for side, color, lateral in (("left", BLUE, 1.0), ("right", VERMILION, -1.0)):  # seen from below
        page = opened(cleat_card_pdf(replace(card, feet={side: foot})))[0]
        sole = max(_strokes(page, INK), key=len)
        assert np.ptp(sole, axis=0) == pytest.approx([95.0, 281.0], abs=0.1)
        heel_y, edge = sole[:, 1].max(), lateral * (lateral * sole[:, 0]).max()
        mid_x = edge - lateral * outline[:, 1].max()
        cleat = max(
            _strokes(page, color), key=lambda p: np.ptp(p[:, 0]) * np.ptp(p[:, 1]) if 8 <= len(p) <= 12 else 0
        )
        found = np.column_stack([heel_y - cleat[:, 1], lateral * (cleat[:, 0] - mid_x)])
        psi = np.deg2rad(pose.psi_deg)
        turned = measured @ np.array([[np.cos(psi), -np.sin(psi)], [np.sin(psi), np.cos(psi)]]) + [
            pose.x_mm,
            pose.z_mm,
        ]
        for corner in turned:
            assert np.linalg.norm(found - corner, axis=1).min() < 0.1


def test_a_long_sole_loses_its_heel_not_its_scale(opened, card, pose):
    foot = replace(card.feet["left"], length_mm=300.0, pose=replace(pose, x_mm=200.0))
    page = opened(cleat_card_pdf(replace(card, feet={"left": foot}), "us-letter"))[0]
    text = page.get_text()
    assert "further back; the scale counts from the heel" in text
    sole = max(_strokes(page, INK), key=len)
    assert sole[:, 1].min() > 5.0
    assert sole[:, 1].max() < 279.4 - 6.0
    left_out = 300.0 - np.ptp(sole[:, 1])
    assert f"heel {left_out:.1f}".rstrip("0").rstrip(".") in text


def test_cutting_keeps_points_in_front_and_ends_on_the_line():
    outline = sole_outline(300.0)
    (piece,) = above_cut(outline, 40.0)
    assert piece[[0, -1], 0] == pytest.approx([40.0, 40.0], abs=1e-9)
    assert piece[:, 0].min() >= 40.0 - 1e-9
    assert np.ptp(above_cut(outline, 0.0)[0][:, 0]) == pytest.approx(300.0)


def test_axle_ends_lie_on_the_outline(card, pose):
    foot = card.feet["left"]
    psi = np.deg2rad(pose.psi_deg)
    for t in axle_ends(foot):
        end = np.array([pose.x_mm + t * np.sin(psi), pose.z_mm + t * np.cos(psi)])
        assert np.linalg.norm(foot.outline() - end, axis=1).min() < 3.0


def test_words_and_care(opened, card):
    pages = [" ".join(page.get_text().split()) for page in opened(cleat_card_pdf(card))]
    assert "left shoe, seen from below, 1:1" in pages[0]
    assert "right shoe" in pages[1]
    for words in ("Ilse Varga", "simulated", "186.4 ± 0.6 mm", "9.0 ± 0.4°", "bolt pattern", "11.5 mm",
                  "163.0 / 24.0 mm", "a plain one, not measured", "ISO 4210", "Print at 100 %", "M1",
                  "M5"):  # fmt: skip
        assert words in pages[0], words


def test_hostile_and_long_words_stay_in_their_column(opened, card, hostile):
    crowded = replace(card, rider=hostile * 9, studio=hostile * 9, hardware=card.hardware * 9, date="d" * 300)
    page = opened(cleat_card_pdf(crowded, "us-letter"))[0]
    assert max(word[2] for word in page.get_text("words")) * MM < 215.9
    assert max(word[3] for word in page.get_text("words")) * MM < 279.4


def test_no_cleat_and_absurd_length_are_said(card, pose):
    with pytest.raises(InputError, match="no cleat has been measured yet"):
        cleat_card_pdf(replace(card, feet={}))
    with pytest.raises(InputError, match=r"sole length_mm.*150 to 400 mm"):
        cleat_card_pdf(replace(card, feet={"left": CardFoot(pose, 2810.0)}))
