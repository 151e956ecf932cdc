"""A drawing is remembered by what it shows."""

from __future__ import annotations

from dataclasses import replace

from django.utils.translation import override

from fitwright.sheets.drawn import drawn
from fitwright.sheets.rider_drawing import rider_svg


def test_the_same_figure_is_drawn_once_and_a_changed_one_anew(rider, monkeypatch):
    calls = []

    def counted(figure, theme="paper", *, width=1.0):
        calls.append(figure)
        return rider_svg(figure, theme)

    first = drawn(counted, rider)
    assert drawn(counted, replace(rider)) == first
    assert len(calls) == 1
    moved = drawn(counted, replace(rider, hand_mm=(600, 640)))
    assert moved != first
    drawn(counted, rider, width=2.0)
    with override("de"):
        drawn(counted, rider)
    assert len(calls) == 4
