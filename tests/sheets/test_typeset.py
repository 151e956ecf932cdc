"""What every PDF owes: PDF/A-3a and PDF/UA-1 as far as can be seen without a validator, letters of any script."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pymupdf
import pytest

from fitwright.sheets import faces, typeset
from fitwright.sheets.cleat_card import CardFoot, CleatCard, cleat_card, cleat_card_pdf
from fitwright.sheets.position_sheet import PositionSheet, position_sheet_pdf
from fitwright.sheets.report import VisitReport, report_pdf

NAMES = {
    "Chinese": "王小明 與 王晓明", "Japanese": "山田 さくら", "Korean": "김 민준", "Greek": "Ψυχή Παπαδοπούλου",
    "Cyrillic": "Їжакевич Ёлка", "Arabic": "ليلى حداد", "Hebrew": "נועה כהן", "Latin": "Łukasz Đorđe Ngọc",
}  # fmt: skip


@pytest.fixture
def no_machine(monkeypatch):
    """A computer without a single typeface of its own."""
    monkeypatch.setattr(faces, "_of_machine", lambda: ())


@pytest.fixture
def papers(pose, mark):
    def make(name: str) -> dict[str, bytes]:
        foot = CardFoot(pose, 281.0, m1=mark(201, -38), m5=mark(172, 44))
        card = CleatCard("Atelier", name, "1 May 2026", {"left": foot, "right": replace(foot)})
        return {
            "sheet": position_sheet_pdf(PositionSheet("Atelier", name, "1 May 2026")),
            "report": report_pdf(VisitReport("Atelier", name, "1 May 2026")), "card": cleat_card_pdf(card),
        }  # fmt: skip

    return make


@pytest.mark.parametrize("script", NAMES)
def test_names_of_every_script_print_without_a_typeface_of_the_computer(script, papers, opened, no_machine):
    for kind, pdf in papers(NAMES[script]).items():
        text = opened(pdf)[0].get_text()
        assert "□" not in text, kind
        letters = {c for c in NAMES[script] if c.isalpha()}
        # Arabic is shaped and right-to-left runs are reordered: letters are looked for, not the name as a string.
        assert letters <= set(text), f"{kind}: {letters - set(text)}"


def test_a_letter_without_a_typeface_is_told_and_nothing_else_is_lost(papers, opened, no_machine):
    for pdf in papers("ᚠᚢᚦ Runa").values():
        assert "pdfaid:part>3<" in pymupdf.open(stream=pdf).get_xml_metadata()
        text = " ".join(opened(pdf)[0].get_text().split())
        assert "□□□ Runa" in text
        assert "U+16A0, U+16A2, U+16A6: no typeface on this computer has this" in text
    assert faces.without_face("Runa ᚠᚢᚠ") == "ᚠᚢ"
    assert faces.without_face("Ngọc\u200f 王\ufe0f ليلى") == ""


def test_pdf_keeps_to_what_can_be_seen_of_pdf_a_3a_and_ua_1(papers):
    for kind, pdf in papers("王小明").items():
        document = pymupdf.open(stream=pdf)
        catalog = document.pdf_catalog()
        assert not document.is_encrypted, kind
        xmp = document.get_xml_metadata()
        assert re.search(r"pdfaid:part>3<", xmp)
        assert re.search(r"pdfaid:conformance>A<", xmp)
        assert re.search(r"pdfuaid:part>1<", xmp)
        intent = document.xref_get_key(catalog, "OutputIntents")
        assert intent[0] == "array" or intent[0] == "xref", kind
        assert document.xref_get_key(catalog, "MarkInfo/Marked") == ("bool", "true")
        assert document.xref_get_key(catalog, "StructTreeRoot")[0] == "xref"
        assert document.xref_get_key(catalog, "Lang")[1] == "en"
        assert document.xref_get_key(catalog, "Names/JavaScript")[0] == "null"
        assert b"/JavaScript" not in pdf
        assert document.metadata["title"]


def test_data_rides_inside_the_paper_as_it_is():
    data = '{"rider": "王小明", "long": "' + "x" * 80 + '"}'
    about = {
        "name": "position.json",
        "text": data,
        "mime": "application/json",
        "about": "The same numbers as data",
    }
    blank = {"title": "t", "width": 210, "height": 297, "pages": [], "attached": [about]}
    document = pymupdf.open(stream=typeset.typeset("exact", blank))
    assert document.embfile_names() == ["position.json"]
    assert document.embfile_get("position.json").decode() == data


def test_pictures_are_the_pages_of_the_pdf(pose, mark):
    """The picture on the screen against the PDF drawn by another renderer: the same pages, the same ink."""
    foot = CardFoot(pose, 281.0, m1=mark(201, -38), m5=mark(172, 44))
    laid = cleat_card(CleatCard("Atelier", "Mira", "1 May 2026", {"left": foot, "right": foot}), "us-letter")
    pages = pymupdf.open(stream=laid.pdf())
    drawn = laid.pictures(96)
    assert len(drawn) == len(pages) == 2
    for png, page in zip(drawn, pages, strict=True):
        ours, theirs = _dark(pymupdf.Pixmap(png), 90), _dark(page.get_pixmap(dpi=96), 200)
        assert ours.shape == pytest.approx(theirs.shape, abs=1)
        h, w = np.minimum(ours.shape, theirs.shape)
        near = cv2.dilate(theirs[:h, :w].astype(np.uint8), np.ones((3, 3)))
        assert np.mean(near[ours[:h, :w]]) > 0.995


def _dark(picture: pymupdf.Pixmap, below: int) -> np.ndarray:
    grey = np.frombuffer(picture.samples, np.uint8).reshape(picture.height, picture.width, picture.n)[..., :3]
    return grey.mean(axis=2) < below
