"""A still is the frame that was asked for, however its time was rounded. Simulated film with counted frames."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from counted_film import number_in, write_film
from fitwright.errors import InputError
from fitwright.records.media import keep_file, path_of
from fitwright.studio import stills
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


def test_a_frame_whose_time_was_told_is_not_decoded_again_and_goes_with_its_film(film, monkeypatch):
    asked = float(TIMES_S[7]) - 0.003
    told = frame_time(film, asked)
    with monkeypatch.context() as shut:
        shut.setattr(stills, "pictures", None)  # to decode would fail
        assert frame_time(film, asked) == told
        assert number(film, told) == 7
        assert number_in(stills.upright_grey(film, told)) == 7
    path_of(film).unlink()
    with pytest.raises(InputError):
        still_jpeg(film, told)


def test_after_the_end_is_said(film):
    with pytest.raises(InputError, match="after the end of the film"):
        still_jpeg(film, 0.9)
