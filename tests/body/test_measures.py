"""Tape measures: ranges, cross-checks, unit slips, and what they say about the segments."""

from __future__ import annotations

import pytest

from fitwright.body.measures import (
    BodyMeasures,
    check_crank,
    foot_length,
    malleolus_height,
    shank_length,
    thigh_length,
)
from fitwright.errors import InputError


def test_height_of_17_m_is_refused_with_field_and_range():
    with pytest.raises(InputError, match=r"height_mm: .*allowed: 1000 to 2300 mm") as caught:
        BodyMeasures(17000.0)
    assert caught.value.field == "height_mm"


def test_a_wrong_unit_is_guessed():
    with pytest.raises(InputError, match="If 178 cm was meant"):
        BodyMeasures(178.0)
    with pytest.raises(InputError, match=r"If 1\.78 m was meant"):
        BodyMeasures(1.78)


@pytest.mark.parametrize(
    ("kwargs", "field"),
    [
        ({"inseam_mm": 1149.0, "height_mm": 1100.0}, "inseam_mm"),
        ({"thigh_mm": 640.0, "inseam_mm": 600.0}, "thigh_mm"),
        ({"shank_mm": -4.0}, "shank_mm"),
        ({"inseam_mm": float("nan")}, "inseam_mm"),
        ({"sex": "x"}, "sex"),
    ],
)
def test_impossible_bodies(kwargs, field):
    with pytest.raises(InputError) as caught:
        BodyMeasures(**{"height_mm": 1780.0, **kwargs})
    assert caught.value.field == field


def test_crank_longer_than_the_leg():
    small = BodyMeasures(1000, thigh_mm=205, shank_mm=205)
    with pytest.raises(InputError, match="crank_mm"):
        check_crank(small, 180)
    check_crank(BodyMeasures(1400), 140)
    check_crank(BodyMeasures(2100), 180)


def test_tape_beats_inseam_beats_height():
    by_height = thigh_length(BodyMeasures(1780, "M"))
    by_inseam = thigh_length(BodyMeasures(1780, "M", inseam_mm=860))
    by_tape = thigh_length(BodyMeasures(1780, "M", inseam_mm=860, thigh_mm=420))
    assert by_tape.value == 420
    assert by_height.u > by_inseam.u > by_tape.u
    assert shank_length(BodyMeasures(1650, "F")).value > thigh_length(BodyMeasures(1650, "F")).value


def test_foot_and_ankle_fall_back():
    body = BodyMeasures(1780, "M", foot_length_left_mm=270)
    assert (
        foot_length(body, "left").u < foot_length(body, "right").u < foot_length(BodyMeasures(1780), "left").u
    )
    assert malleolus_height(BodyMeasures(1780, "M")).value == pytest.approx(72.9)
    assert malleolus_height(BodyMeasures(1780, malleolus_height_mm=80)).value == 80


def test_json_round_trip_and_bad_json():
    body = BodyMeasures(1780, "M", inseam_mm=860)
    assert BodyMeasures.from_json(body.to_json()) == body
    for bad, field in (
        ({"height_mm": "tall"}, "height_mm"), ({"height_mm": True}, "height_mm"), ({}, "height_mm"),
        ({"height_mm": 1780, "shoe": 44}, "shoe"),
    ):  # fmt: skip
        with pytest.raises(InputError) as caught:
            BodyMeasures.from_json(bad)
        assert caught.value.field == field
