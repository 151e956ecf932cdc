"""The position sheet as PDF: one page, legible, text as text, nobody's words taken for markup."""

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.sheets import cautions
from fitwright.sheets.position_sheet import (
    PositionSheet,
    SheetFoot,
    SheetLine,
    contact_lines,
    position_sheet_pdf,
    sheet_drawings,
)


@pytest.fixture
def sheet(rider, sole, contact, pose) -> PositionSheet:
    figure = sole()
    foot = SheetFoot(pose, figure.m1, figure.m5, figure.datums)
    side, soles = sheet_drawings(rider, (sole("left"), sole("right")))
    measured = {"saddle_height_mm": Measured(705, 0.6, "mm", "tape, three readings")}
    return PositionSheet(
        "Studio Lindenhof", "Ilse Varga", "25 November 2026", True, "gravel bike", contact_lines(contact, measured),
        {"left": foot, "right": foot}, side, soles, (SheetLine("stem", "100 mm, −6°"),), "Come back in six weeks.",
        qr_text="http://127.0.0.1:8000/r/14", record="position 14",
    )  # fmt: skip


def test_one_page_with_every_number_as_text(opened, sheet, paper, paper_size_mm):
    document = opened(position_sheet_pdf(sheet, paper))
    assert len(document) == 1
    page = document[0]
    size = page.rect.width / 72 * 25.4, page.rect.height / 72 * 25.4
    assert size == pytest.approx(paper_size_mm, abs=0.1)
    text = " ".join(page.get_text().split())
    for words in (
        "Ilse Varga", "simulated", "705.0 ± 1.2 mm", "tape, three readings", "172.5 mm", "186.4 ± 0.6 mm",
        "9.0 ± 0.4°", "0.50",
        "202.0 / 15.0 mm", "164.0 / −22.0 mm", "100 mm, −6°", "Torque: as the part's maker states", "ISO 4210",
        "no medical device", "again after it", "Come back in six weeks.", "position 14", "33.8 ± 1.1°",
    ):  # fmt: skip
        assert words in text, words


def test_nothing_known_is_still_a_sheet(opened, paper):
    document = opened(position_sheet_pdf(PositionSheet("", "", ""), paper))
    assert len(document) == 1
    text = " ".join(document[0].get_text().split())
    assert "not drawn: nothing measured yet" in text
    assert "not measured yet" in text


def test_words_of_users_are_never_markup(opened, sheet, hostile):
    pdf = position_sheet_pdf(replace(sheet, rider=hostile[:40], notes=hostile * 3, bike="#pagebreak()"))
    document = opened(pdf)
    assert len(document) == 1
    text = " ".join(document[0].get_text().split()).replace("\u200b", "")
    assert "#let x = $1$ *bold* _it_ <script>alert(1)</script>" in text
    assert "#pagebreak()" in text


def test_far_too_much_stays_on_one_page_and_says_so(opened, sheet, paper, hostile, pose, mark):
    datums = {f"datum_{k}": mark(200 + k, 10) for k in range(12)}
    crowded = replace(
        sheet, rider="Maximiliane-Theophila " * 20, studio="Ж" * 300, bike="b" * 300, date="d" * 200,
        notes=(hostile * 300)[:10_000], contact=sheet.contact * 5, record="r" * 400,
        parts=tuple(SheetLine(f"part {k} " + "p" * 90, "v" * 90, "how " * 60) for k in range(30)),
        cautions=("caution " * 90,) * 9, qr_text="x" * 5000,
        feet={s: SheetFoot(replace(pose, method="m" * 400), mark(201, -38), mark(172, 44), datums)
              for s in ("left", "right")},
    )  # fmt: skip
    document = opened(position_sheet_pdf(crowded, paper))
    assert len(document) == 1
    text = " ".join(document[0].get_text().split())
    assert "more in the record" in text
    assert cautions.SIMULATED.split(":")[0] in text


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=200), st.text(max_size=3000))
def test_any_text_makes_one_page(opened, name, notes):
    import pymupdf

    pdf = position_sheet_pdf(PositionSheet(name, name, name, notes=notes, bike=name, qr_text=name))
    assert len(pymupdf.open(stream=pdf)) == 1


def test_the_qr_symbol_reads_back(opened, sheet, grey):
    import cv2

    picture = grey(opened(position_sheet_pdf(sheet))[0], 300)
    corner = cv2.copyMakeBorder(picture[: picture.shape[0] // 6, -picture.shape[1] // 4 :], 40, 40, 40, 40,
                                cv2.BORDER_CONSTANT, value=255)  # fmt: skip
    assert cv2.QRCodeDetector().detectAndDecode(corner)[0] == "http://127.0.0.1:8000/r/14"


def test_unknown_paper_is_named():
    with pytest.raises(InputError, match=r"paper: unknown size.*a4 or us-letter"):
        position_sheet_pdf(PositionSheet("", "", ""), "a3")


def test_contact_lines_leave_out_zero_spacers_and_keep_measured_ones(contact):
    labels = [row.label for row in contact_lines(contact)]
    assert "pedal spacer left" not in labels
    rows = contact_lines(
        replace(contact, spacer_left_mm=4.0, shim_right_mm=3.0),
        {"shim_left_mm": Measured(0, 0.1, "mm"), "shim_right_mm": Measured(3, 0.1, "mm", "caliper")},
    )
    assert {r.label: r.value for r in rows}["pedal spacer left"] == "4 mm"
    assert {r.label: r.how for r in rows}["shim right"] == "caliper"
    assert "shim left" not in {r.label for r in rows}


def test_care_says_what_it_must():
    words = " ".join(cautions.ALL)
    for must in ("no medical device", "no diagnosis", "at rest or at night", "locking", "numbness", "torque",
                 "first ride", "minimum insertion mark", "ISO 4210", "small steps"):  # fmt: skip
        assert must in words.replace("makes no", "no")
