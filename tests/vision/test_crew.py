"""A still point hidden in the marked frame is sought in other frames (simulated), no longer than needed."""

from collections.abc import Iterator

import numpy as np
import pytest
from bench.drawn import Film, draw

from fitwright.vision.crew import LOOK_EVERY_S, SURE, standing_spots
from fitwright.vision.video import ClipInfo, LumaFrame

INFO = ClipInfo("none", "none", 640, 360, 60.0, 2.0, 0, 8, 0.0)
PLACE = np.array([300.4, 180.7])
WHOLE = Film({"bracket": lambda t: np.tile(PLACE, (len(t), 1))}, np.arange(90) / 60)


def frames(film: Film, read: list[float]) -> Iterator[LumaFrame]:
    """Its pictures; what is read is written down."""
    rng = np.random.default_rng(5)
    for t in film.times_s:
        read.append(float(t))
        yield LumaFrame(float(t), draw(film, float(t), np.full((360, 640), 95.0), rng))


def sought(film: Film) -> tuple[dict, list[float]]:
    read: list[float] = []
    return standing_spots(INFO, frames(film, read), PLACE[None] + 2.0, [0]), read


@pytest.mark.parametrize("hidden_s", [0.0, 0.5])
def test_it_is_looked_for_until_it_was_seen_often_enough_in_its_place(hidden_s):
    film = Film(WHOLE.discs, WHOLE.times_s, hidden={"bracket": (0.0, hidden_s)})
    found, read = sought(film)
    assert found[0].uv_px == pytest.approx(PLACE, abs=0.05)
    assert read[-1] < hidden_s + (SURE + 1) * (LOOK_EVERY_S + 1 / 60)


def test_one_that_goes_with_the_rider_is_not_taken_for_a_still_one():
    moving = Film({"knee": lambda t: PLACE + np.stack([60 * t, 0 * t], axis=1)}, WHOLE.times_s)
    found, read = sought(moving)
    assert found == {}
    assert read[-1] == WHOLE.times_s[-1]
