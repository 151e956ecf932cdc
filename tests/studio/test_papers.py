"""What a visit hands over: the tape list, the data files, printers, and what each paper owes."""

from __future__ import annotations

import csv
import io
import json

import pymupdf
import pytest

from fitwright.errors import InputError
from fitwright.records.models import Bike, HardwareItem, Studio
from fitwright.studio import bike, intake, papers, printers, takeaway, tape
from fitwright.studio.visits import new_rider, open_visit

BIKE = {
    "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
    "crank_mm": "172,5", "q_factor_mm": "148", "pedal_offset_mm": "53",
}  # fmt: skip


@pytest.fixture
def visit(db):
    Studio.objects.create(pk=1, name="Werkstatt am Kanal")
    rider = new_rider("Ilse Varga", simulated=True)
    one = open_visit(rider, bike=Bike.objects.create(rider=rider, name="grey bike"))
    assert not bike.save_bike(one, BIKE).errors
    assert not intake.save_intake(one, {"pain.knee_left": "4", "goal": "=SUM(A1)"}).errors
    return one


def _text(pdf: bytes) -> str:
    return " ".join(" ".join(p.get_text() for p in pymupdf.open(stream=pdf)).split())


def test_the_tape_list_says_what_to_set_from_where_and_what_it_was(visit):
    assert not bike.save_bike(visit, {"saddle_height_mm": "698"}).errors
    kept = tape.tape_of(visit, "Werkstatt", "1 May 2026", "fitwright:position/1")
    lines = {line.what: line for _, group in kept.groups for line in group}
    assert lines["saddle height"].to_read.value == 698
    assert lines["saddle height"].was.value == 705
    assert lines["saddle height"].moved
    assert not lines["saddle setback"].moved
    assert [w for w, _ in kept.groups] == ["Saddle", "Hands", "Pedals"], (
        "no cleat was measured, no spacer is there"
    )
    order = [line.what for line in kept.groups[0][1]]
    assert order.index("saddle setback") < order.index("saddle height"), "a saddle moved back also moves down"
    for paper in papers.PAPERS:
        pdf = papers.document(visit, "tape-list", paper)
        assert len(pymupdf.open(stream=pdf)) == 1
        text = _text(pdf)
        assert "698.0 ± 2.0 mm" in text
        assert "a straight line from the bottom-bracket axle to the top of the saddle" in text


def test_every_paper_defers_to_part_makers_and_says_what_it_is(visit):
    for one in papers.available(visit):
        text = _text(papers.document(visit, one.name))
        assert "no medical device" in text or "first ride" in text, one.name
        assert "simulated" in text, one.name
        if one.name != "felt-form":  # nothing is turned by it
            assert "ISO 4210" in text, one.name
            assert "torque" in text.lower(), one.name


def test_the_form_is_blank_and_one_page(visit):
    for paper in papers.PAPERS:
        pdf = papers.document(visit, "felt-form", paper)
        assert len(pymupdf.open(stream=pdf)) == 1
        text = _text(pdf)
        assert "Knee, left 0 1 2 3 4 5 6 7 8 9 10" in text
        assert "Is a calf swollen" in text
        assert "last asked on" in text


def test_every_measure_as_json_and_csv(visit):
    record = takeaway.measures_record(visit)
    json.loads(takeaway.as_json(record))
    found = {(r["station"], r["quantity"], r["side"]): r for r in record["measures"]}
    height = found["bike", "saddle_height_mm", "both"]
    assert (height["value"], height["unit"]) == (705, "mm")
    assert height["half_width_95"] == pytest.approx(1.96 * height["u"], rel=1e-3)
    assert height["method"]
    assert found["intake", "pain.knee", "left"]["value"] == 4
    read = list(csv.DictReader(io.StringIO(takeaway.as_csv(visit))))
    assert len(read) == len(record["measures"])
    assert tuple(read[0]) == takeaway.COLUMNS


def test_no_cell_of_the_table_is_a_formula():
    for text in ("=1+1", "+1", "@SUM", "-cmd", "\tx"):
        assert takeaway._harmless(text).startswith(" ")
    assert takeaway._harmless(-1.5) == -1.5
    assert takeaway._harmless("plain") == "plain"


def test_the_paper_carries_its_record(visit):
    document = pymupdf.open(stream=papers.document(visit, "position-sheet"))
    inside = json.loads(document.embfile_get("position.json"))
    assert inside["bike"]["saddle_height_mm"] == 705


def test_a_printer_is_kept_by_name_and_paper_and_every_reading_stays(db):
    typed = {
        "printer": "Büro, 2. Stock",
        "paper": "a4",
        "across_mm": "99,6",
        "along_mm": "9.92 cm",
        "by": "Ana",
    }
    key, errors = printers.save_check(typed)
    assert not errors
    assert printers.printer(key).scale.along_mm == pytest.approx(99.2)
    again, _ = printers.save_check({**typed, "printer": "büro, 2. stock", "along_mm": "99.9"})
    assert again == key
    other, _ = printers.save_check({**typed, "paper": "us-letter"})
    assert other != key
    one = printers.printer(key)
    assert [c.data["along_mm"] for c in one.checks] == [99.9, 99.2]
    printers.retire(key)
    assert printers.printer(key) is None
    assert HardwareItem.objects.filter(kind="printer").count() == 4


@pytest.mark.parametrize(
    ("box", "text"),
    [("printer", " "), ("printer", "x" * 61), ("paper", "a5"), ("across_mm", ""), ("across_mm", "12"),
     ("along_mm", "a lot"), ("along_mm", "1000")],
)  # fmt: skip
def test_a_reading_that_cannot_be_is_said_at_its_box(db, box, text):
    typed = {"printer": "desk", "paper": "a4", "across_mm": "100", "along_mm": "100"}
    key, errors = printers.save_check({**typed, box: text})
    assert key == ""
    assert list(errors) == [box]
    assert not HardwareItem.objects.exists()


def test_an_unknown_printer_cannot_be_taken_off(db):
    with pytest.raises(InputError, match="none of this studio"):
        printers.retire("p9")
