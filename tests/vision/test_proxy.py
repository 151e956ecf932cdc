"""The light copy: one frame for each of the film's, upright, at its own time. Simulated films with counted frames."""

from __future__ import annotations

import av
import numpy as np
import pytest

from counted_film import SIZE, number_in, write_film
from fitwright.errors import Stopped
from fitwright.vision.proxy import WHOLE_EVERY, FrameTable, write_proxy

RNG = np.random.default_rng(8)
UNEVEN_S = np.concatenate([[0.0], np.cumsum(RNG.uniform(0.008, 0.03, 49))])


def read(path) -> tuple[list[int], list[float], list[bool]]:
    """Numbers, times and whole pictures of a copy."""
    with av.open(str(path)) as file:
        frames = list(file.decode(video=0))
    grey = [f.to_ndarray(format="gray") for f in frames]
    return [number_in(g) for g in grey], [float(f.time) for f in frames], [f.key_frame for f in frames]


@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
def test_every_frame_is_there_at_its_own_time_and_upright(tmp_path, rotation):
    film = write_film(tmp_path / "film.mp4", UNEVEN_S, rotation=rotation)
    table = write_proxy(film, tmp_path / "copy.mp4")
    numbers, times, whole = read(tmp_path / "copy.mp4")
    assert numbers == list(range(50))
    assert table.film_px == table.size_px == SIZE
    assert np.abs(np.array(table.time_s) - UNEVEN_S).max() < 1e-5
    assert np.abs(np.array(times) - UNEVEN_S).max() < 2e-5
    assert np.diff(np.flatnonzero(whole)).max() <= WHOLE_EVERY


def test_the_copy_of_a_large_film_is_small(tmp_path):
    big = tmp_path / "big.mp4"
    with av.open(str(big), "w") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 1080, 1918, "yuv420p"
        for _ in range(4):
            out.mux(
                stream.encode(av.VideoFrame.from_ndarray(np.full((1918, 1080), 255, np.uint8), format="gray"))
            )
        out.mux(stream.encode(None))
    table = write_proxy(big, tmp_path / "copy.mp4")
    assert table.size_px == (540, 960)
    assert table.film_px == (1080, 1918)
    assert table.burnt == 1.0
    assert FrameTable.from_json(table.to_json()).to_json() == table.to_json()


def test_it_can_be_stopped(tmp_path):
    film = write_film(tmp_path / "film.mp4", UNEVEN_S)
    with pytest.raises(Stopped):
        write_proxy(film, tmp_path / "copy.mp4", cancelled=lambda: True)
