"""The tiny film maker of `bench.drawn` (simulated), for the tests of this room."""

from __future__ import annotations

import pytest
from bench.drawn import Film, circle, draw, film_to, swing


@pytest.fixture(scope="session")
def film_maker():
    """Its functions under one name."""

    class Maker:
        Film, film_to, draw = Film, staticmethod(film_to), staticmethod(draw)
        circle, swing = staticmethod(circle), staticmethod(swing)

    return Maker


@pytest.fixture(scope="session")
def three_discs(film_maker):
    """A hip that hardly moves, a knee that swings, a pedal that turns."""
    return {
        "hip": swing(150.0, 90.0, 2.5, 1.5), "knee": swing(330.0, 150.0, 28.0, 35.0),
        "pedal": circle(420.0, 230.0, 75.0),
    }  # fmt: skip
