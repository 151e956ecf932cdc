"""Papers at 1:1 for a printer that was checked, measured in pixels of the page at 600 dpi."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pymupdf
import pytest
from scipy.spatial import cKDTree

from fitwright.errors import InputError
from fitwright.foot.fitting_aid import CleatBody
from fitwright.sheets.card_pdf import scale_card_pdf
from fitwright.sheets.cleat_card import CardFoot, CleatCard, card_map, cleat_card_pdf
from fitwright.sheets.fitting_aid import AidFoot, FittingAid, fitting_aid_pdf
from fitwright.sheets.print_scale import PrintScale
from fitwright.sheets.printer_check import printer_check

MM = 25.4 / 600


@pytest.fixture
def foot(pose, mark) -> CardFoot:
    return CardFoot(pose, 281.0, m1=mark(201, -38), m5=mark(172, 44))


@pytest.fixture
def card(foot) -> CleatCard:
    return CleatCard("Atelier", "Mira", "1 May 2026", {"left": foot, "right": foot})


def _colour(page: pymupdf.Page) -> np.ndarray:
    picture = page.get_pixmap(dpi=600)
    return np.frombuffer(picture.samples, np.uint8).reshape(picture.height, picture.width, 3).astype(int)


def _blue_mm(page: pymupdf.Page) -> np.ndarray:
    """(n, 2) middles of the pixels that are mostly the left side's blue, mm on the page."""
    p = _colour(page)
    y, x = np.nonzero((p[..., 2] - p[..., 0] > 90) & (p[..., 0] < 110))
    return np.column_stack([x + 0.5, y + 0.5]) * MM


def _ring(points: np.ndarray, step_mm: float = 0.25) -> np.ndarray:
    closed = np.vstack([points, points[:1]])
    parts = [
        np.linspace(a, b, max(2, int(np.hypot(*(b - a)) / step_mm)), endpoint=False)
        for a, b in pairwise(closed)
    ]
    return np.vstack(parts)


@pytest.mark.parametrize("scale", [None, PrintScale("front desk", 99.4, 99.1, "1 May 2026")])
def test_the_printed_cleat_lies_where_the_numbers_say(card, foot, paper, scale):
    """Every quarter millimetre of the cleat's outline has its blue line within 0.1 mm of where the pose puts it."""
    page = pymupdf.open(stream=cleat_card_pdf(replace(card, scale=scale), paper))[0]
    place, _ = card_map(foot, "left", paper)
    wanted = _ring(np.array(place(foot.cleat())))
    blue = _blue_mm(page)
    if scale:  # what this printer puts on the paper
        middle = np.array([page.rect.width, page.rect.height]) * 25.4 / 72 / 2
        blue = middle + (blue - middle) * [scale.across_mm / 100, scale.along_mm / 100]
    off = cKDTree(blue).query(wanted)[0]
    assert np.max(off) < 0.1
    # Its middle line, from the pixels of both edges: 0.35 mm wide, so that 95 % of them lie within 0.2 mm.
    near = cKDTree(wanted).query(blue)[0]
    assert np.mean(near[near < 0.4] < 0.22) > 0.9


def test_bars_of_every_exact_paper_are_100_mm(card, foot, paper, grey, longest_upright_mm):
    aid = FittingAid("Atelier", "Mira", "1 May 2026", {"left": AidFoot(foot, CleatBody())})
    for pdf in (cleat_card_pdf(card, paper), fitting_aid_pdf(aid, paper), scale_card_pdf(paper=paper)):
        for page in pymupdf.open(stream=pdf):
            assert longest_upright_mm(grey(page), 120.0) == pytest.approx(100.0, abs=0.1)


def test_the_check_page_has_a_bar_each_way(paper, grey, longest_upright_mm):
    (page,) = pymupdf.open(stream=printer_check("Atelier", paper).pdf())
    picture = grey(page)
    assert longest_upright_mm(picture, 10.0) == pytest.approx(100.0, abs=0.1)
    assert longest_upright_mm(np.ascontiguousarray(picture.T), 10.0) == pytest.approx(100.0, abs=0.1)
    assert "actual size" in page.get_text()


def test_a_printer_that_is_a_little_off_is_made_up_for(card, paper, grey, longest_upright_mm):
    """Drawn longer by as much as this printer shortens: on its paper the bar is 100 mm again."""
    scale = PrintScale("front desk", 99.6, 99.2, "1 May 2026")
    page = pymupdf.open(stream=cleat_card_pdf(replace(card, scale=scale), paper))[0]
    assert longest_upright_mm(grey(page), 138.0) * 0.992 == pytest.approx(100.0, abs=0.1)
    words = " ".join(page.get_text().split())
    assert "“front desk”" in words
    assert "drawn 0.40 % larger across, 0.81 % larger along" in words


def test_what_is_done_follows_from_the_reading():
    def of(across, along):
        return PrintScale("p", across, along, "1 May 2026")

    assert of(100.2, 99.8).state == "true"
    assert of(100.2, 99.8).factors == (1.0, 1.0)
    assert of(100.3, 100.0).state == "mended"
    assert of(100.3, 100.0).factors == pytest.approx((1 / 1.003, 1.0))
    assert of(99.0, 101.0).state == "mended"
    assert of(100.0, 98.9).state == "refused"
    # A ruler's 0.1 mm, and where nothing was made up for also the rest that was left, evenly distributed.
    assert of(99.0, 99.0).half_width_mm == pytest.approx(0.196, abs=0.001)
    assert of(99.8, 100.0).half_width_mm == pytest.approx(1.96 * np.sqrt(0.01 + 0.04 / 3), abs=0.001)


def test_a_printer_far_off_prints_nothing_to_lay_on_a_shoe(card):
    with pytest.raises(InputError, match=r"printer.*94\.0.*99 to 101 mm"):
        cleat_card_pdf(replace(card, scale=PrintScale("office", 94.0, 94.1, "1 May 2026")))


def test_a_card_leads_back_to_its_record(card, grey):
    pdf = cleat_card_pdf(replace(card, qr_text="fitwright:position/14"))
    picture = grey(pymupdf.open(stream=pdf)[0], 300)
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == "fitwright:position/14"
