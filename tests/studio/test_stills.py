"""A still is the frame that was asked for, however its time was rounded. Simulated film with counted frames."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from counted_film import number_in, write_film
from fitwright.errors import InputError
from fitwright.records.media import keep_file
from fitwright.studio.entry import plain
from fitwright.studio.stills import frame_time, still_jpeg

pytestmark = pytest.mark.django_db
TIMES_S = np.arange(30) / 60 * 1.0006


@pytest.fixture
def film(tmp_path):
    return keep_file(write_film(tmp_path / "film.mp4", TIMES_S), "film")


def number(film, at_s: float) -> int:
    return number_in(cv2.imdecode(np.frombuffer(still_jpeg(film, at_s), np.uint8), cv2.IMREAD_GRAYSCALE))


@pytest.mark.parametrize("frame", [0, 1, 2, 13, 28, 29])
def test_a_rounded_time_finds_its_frame_again(film, frame):
    true_s = TIMES_S[frame]
    up, down = np.ceil(true_s * 1000) / 1000, np.floor(true_s * 1000) / 1000
    for told in (true_s, up, down, float(plain(true_s))):
        assert number(film, told) == frame
        assert frame_time(film, told) == pytest.approx(true_s, abs=1.2e-5)


def test_after_the_end_is_said(film):
    with pytest.raises(InputError, match="after the end of the film"):
        still_jpeg(film, 0.9)
