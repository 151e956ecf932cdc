"""Printers on their page, the preview of what is printed, and which printer a browser prints on."""

from __future__ import annotations

import pymupdf
import pytest
from django.test import Client
from django.urls import reverse

PAGE = {"action": "check", "printer": "front desk", "paper": "a4", "across_mm": "99,5", "along_mm": "99,2"}


@pytest.fixture
def address(db) -> str:
    return reverse("printers")


def test_empty_then_a_reading_kept_and_remembered_by_this_browser_alone(client, studio, address):
    assert "Check each printer once" in client.get(address).content.decode()
    assert client.post(address, PAGE).status_code == 302
    page = client.get(address).content.decode()
    assert "front desk" in page
    assert "A little off" in page
    assert "this browser prints on it" in page
    assert "this browser prints on it" not in Client().get(address).content.decode()


def test_what_is_wrong_is_said_at_the_field_and_nothing_typed_is_lost(client, studio, address):
    answer = client.post(address, PAGE | {"along_mm": "3"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "80 to 120 mm" in page
    assert 'value="front desk"' in page
    assert 'value="99,5"' in page
    for typed in (
        {"action": "choose", "printer": "p7"},
        {"action": "retire", "printer": ""},
        {"action": "dance"},
    ):
        assert client.post(address, typed).status_code == 422


def test_the_check_page_prints_on_both_papers(client, studio):
    for paper in ("a4", "us-letter"):
        answer = client.get(reverse("printer_check"), {"paper": paper})
        assert answer["Content-Type"] == "application/pdf"
        assert len(pymupdf.open(stream=answer.content)) == 1
    assert client.get(reverse("printer_check"), {"paper": "a5"}).status_code == 400


def test_the_scale_card_is_drawn_for_the_printer_of_this_browser(client, studio, address):
    def widest() -> float:
        page = pymupdf.open(stream=client.get(reverse("scale_card")).content)[0]
        return max(d["rect"].height for d in page.get_drawings())

    before = widest()
    client.post(address, PAGE)
    assert widest() / before == pytest.approx(100 / 99.2, abs=2e-4)
    client.post(address, {"action": "choose", "printer": ""})
    assert widest() == pytest.approx(before)


def test_preview_shows_the_pages_and_the_way_to_print(client, filled):
    page = client.get(reverse("preview", args=[filled.pk, "position-sheet"])).content.decode()
    assert page.count("data:image/png;base64,") == 1
    assert "Position sheet, page 1 of 1" in page
    assert reverse("document", args=[filled.pk, "position-sheet"]) in page
    card = client.get(reverse("preview", args=[filled.pk, "cleat-card"]))
    assert card.status_code == 422
    assert "no cleat has been measured yet" in card.content.decode().lower()
    assert client.get(reverse("preview", args=[filled.pk, "nonsense"])).status_code == 404
    assert (
        client.get(reverse("preview", args=[filled.pk, "position-sheet"]), {"paper": "a5"}).status_code == 400
    )


def test_handover_names_letters_without_a_typeface_before_printing(client, filled, monkeypatch):
    monkeypatch.setattr("fitwright.sheets.faces._of_machine", lambda: ())
    station = reverse("handover", args=[filled.pk])
    assert "No typeface on this computer" not in client.get(station).content.decode()
    filled.rider.name = "王小明 ᚠᚢ"
    filled.rider.save()
    page = client.get(station).content.decode()
    assert "No typeface on this computer has the letters <bdi>ᚠᚢ</bdi>" in page


def test_data_files_come_as_files(client, filled):
    for name, kind in (
        ("position.json", "application/json"),
        ("measures.json", "application/json"),
        ("measures.csv", "text/csv"),
    ):
        answer = client.get(reverse("visit_data", args=[filled.pk, name]))
        assert answer.status_code == 200
        assert answer["Content-Type"].startswith(kind)
        assert "attachment" in answer["Content-Disposition"]
    assert client.get(reverse("visit_data", args=[filled.pk, "secrets.json"])).status_code == 404
