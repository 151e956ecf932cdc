"""The readout of a camera's sensor, remembered from film to film and typed by hand (films of a few grey frames)."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

from fitwright.quantity import Measured
from fitwright.records.media import keep_file
from fitwright.records.models import Medium
from fitwright.studio import film_cameras
from fitwright.vision.rolling_shutter import READOUT_PRIOR_S, readout
from fitwright.vision.video import probe

pytestmark = pytest.mark.django_db
PAGE = "/studio/cameras"


def film(
    folder: Path, grey: int, camera: str = "Invented Q1", fps: int = 60, size: tuple[int, int] = (160, 96)
) -> Path:
    path = folder / f"{grey}.mp4"
    with av.open(str(path), "w", options={"movflags": "use_metadata_tags"}) as out:
        if camera:
            make, model = camera.split()
            out.metadata.update({"some.maker.make": make, "some.maker.model": model})
        stream = out.add_stream("libx264", rate=fps)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        for _ in range(6):
            picture = np.full((size[1] * 3 // 2, size[0]), grey, np.uint8)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="yuv420p")))
        out.mux(stream.encode(None))
    return path


def laid(folder: Path, grey: int, **how) -> Medium:
    return keep_file(film(folder, grey, **how), "film")


def as_read(value_ms: float, u_ms: float) -> dict[str, float]:
    return {"readout_s": value_ms / 1e3, "readout_u_s": u_ms / 1e3}


def test_a_film_that_names_its_camera_is_recognised(tmp_path) -> None:
    assert probe(film(tmp_path, 90)).camera == "Invented Q1"
    assert probe(film(tmp_path, 91, camera="")).camera == ""


def test_what_films_told_serves_the_next_one_but_not_themselves(tmp_path) -> None:
    first, second = laid(tmp_path, 90), laid(tmp_path, 91)
    assert film_cameras.readout_for(first) is None
    film_cameras.learn(first, as_read(16.0, 3.0), None)
    assert film_cameras.readout_for(first) is None
    told = film_cameras.readout_for(second)
    assert isinstance(told, Measured)
    assert (told.value, told.u) == pytest.approx(
        (0.016, 0.003), abs=1e-6
    )  # prior and film together, as it was read
    assert "one film" in told.method


def test_two_films_weigh_as_bayes_has_it(tmp_path) -> None:
    """Each film's own word, 15 ± 4 and 17 ± 3 ms, with the usual 10 ± 5: the product of three Gaussians."""
    media = [laid(tmp_path, 90 + k) for k in range(3)]
    words = ((15.0, 4.0), (17.0, 3.0))
    before = readout(None)
    for medium, (value, u) in zip(media, words, strict=False):
        prior = film_cameras.readout_for(medium)
        start = readout(prior)
        precision = 1 / start.u**2 + 1e6 / u**2
        mean = (start.value / start.u**2 + value * 1e3 / u**2) / precision
        film_cameras.learn(medium, {"readout_s": mean, "readout_u_s": precision**-0.5}, prior)
    told = film_cameras.readout_for(media[2])
    w = np.array([1 / (1e3 * before.u) ** 2, *(1 / u**2 for _, u in words)])
    x = np.array([1e3 * before.value, *(v for v, _ in words)])
    assert 1e3 * told.value == pytest.approx(float(w @ x / w.sum()), abs=0.01)
    assert 1e3 * told.u == pytest.approx(float(w.sum() ** -0.5), rel=0.02)
    assert told.u < before.u


def test_another_mode_another_camera_and_a_nameless_one_are_not_mixed_up(tmp_path) -> None:
    film_cameras.learn(laid(tmp_path, 90), as_read(16.0, 3.0), None)
    for k, how in enumerate(({"fps": 120}, {"size": (320, 192)}, {"camera": "Invented R2"}, {"camera": ""})):
        assert film_cameras.readout_for(laid(tmp_path, 95 + k, **how)) is None
    assert film_cameras.readout_for(laid(tmp_path, 99, size=(96, 160))) is not None  # upright, the same mode


def test_a_film_that_told_nothing_only_makes_its_camera_known(tmp_path) -> None:
    film_cameras.learn(laid(tmp_path, 90), as_read(1e3 * READOUT_PRIOR_S[0], 1e3 * READOUT_PRIOR_S[1]), None)
    (camera,) = film_cameras.known()
    assert camera.label == "Invented Q1, 160 × 96 px, 60 frames/s"
    assert camera.readout() is None


def test_what_a_hand_states_counts_until_it_is_taken_back(tmp_path, client) -> None:
    medium, other = laid(tmp_path, 90), laid(tmp_path, 91)
    film_cameras.learn(medium, as_read(16.0, 3.0), None)
    (camera,) = film_cameras.known()
    page = client.get(PAGE).content.decode()
    assert camera.label in page
    assert "as one film by this camera had it" in page
    sent = {"action": "readout", "camera": camera.key}
    refused = client.post(PAGE, sent | {"readout_ms": "seventy"})
    assert refused.status_code == 422
    assert 'value="seventy"' in refused.content.decode()
    assert client.post(PAGE, sent | {"readout_ms": "70"}).status_code == 422
    assert client.post(PAGE, sent | {"readout_ms": "12,5"}).status_code == 302
    assert film_cameras.readout_for(other) == 12.5
    film_cameras.learn(other, as_read(12.5, 0.5), 12.5)  # read as stated: it tells nothing of its own
    assert set(film_cameras.known()[0].told) == {medium.sha256}
    assert client.post(PAGE, sent | {"readout_ms": ""}).status_code == 302
    assert film_cameras.readout_for(other).value == pytest.approx(0.016, abs=1e-6)
    assert len(film_cameras.known()) == 1
