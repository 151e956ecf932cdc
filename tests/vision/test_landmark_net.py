"""The network's file: what is taken, what is refused and how it is said; what its outputs mean."""

from __future__ import annotations

import hashlib
import sys

import cv2
import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.vision import landmark_net
from fitwright.vision.landmark_net import Licence, describe, open_net, read_outputs
from landmark_file import discs, onnx_body, tflite_mean

COUNTS = (33, 39)


def put(path, data: bytes):
    path.write_bytes(data)
    return path


def opened(path):
    file = describe(path)
    return open_net(file, file.sha256)


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("last", [False, True])
def test_an_onnx_file_tells_places_in_pixels_of_the_square(tmp_path, count, last):
    """Colours first or last; the discs are found where OpenCV drew them."""
    net = opened(put(tmp_path / "body.onnx", onnx_body(count, channels_last=last)))
    at = [(100.0, 60.0), (140.0, 120.0), (110.5, 200.25)]
    seen = net.look(discs((256, 256), at))
    assert seen.uv_px.shape == (count, 2)
    assert seen.uv_px[[24, 26, 28]] == pytest.approx(np.array(at), abs=0.05)
    assert seen.score > 0.99
    assert net.look(np.zeros((256, 256, 3), np.uint8)).score < 0.01


@pytest.mark.parametrize("count", COUNTS)
def test_a_tflite_file_is_read_in_red_green_blue_between_0_and_1(tmp_path, count):
    rng = np.random.default_rng(count)
    weights, bias = rng.normal(0, 100, (5 * count, 3)), rng.normal(128, 20, 5 * count)
    net = opened(put(tmp_path / "mean.tflite", tflite_mean(weights, bias, score=1.5)))
    picture = rng.integers(0, 256, (256, 256, 3)).astype(np.uint8)
    seen = net.look(picture)
    wanted = (weights @ (picture.mean(axis=(0, 1)) / 255) + bias).reshape(count, 5)[:, :2]
    assert seen.uv_px == pytest.approx(wanted, abs=0.01)
    assert seen.score == pytest.approx(1 / (1 + np.exp(-1.5)), abs=1e-4)


def test_the_file_is_told_by_name_size_digest_and_licence(tmp_path, monkeypatch):
    data = onnx_body()
    file = describe(put(tmp_path / "x", data), "body.onnx")
    digest = hashlib.sha256(data).hexdigest()
    assert (file.name, file.size_bytes, file.sha256, file.kind) == ("body.onnx", len(data), digest, "onnx")
    assert not file.known
    assert file.licence == ""
    monkeypatch.setattr(landmark_net, "KNOWN", {digest: Licence("a test", "CC0-1.0")})
    again = describe(tmp_path / "x")
    assert again.known
    assert again.licence == "CC0-1.0"
    assert open_net(again).look(discs((256, 256), [(100, 60), (140, 120), (110, 200)])).score > 0.9


def test_an_unknown_file_is_used_only_when_its_digest_is_stated(tmp_path):
    file = describe(put(tmp_path / "body.onnx", onnx_body()))
    with pytest.raises(InputError, match=file.sha256):
        open_net(file)
    with pytest.raises(InputError, match="not the file that was noted"):
        open_net(file, "0" * 64)
    assert open_net(file, file.sha256.upper())


def picture_as(kind: str) -> bytes:
    return cv2.imencode(kind, np.zeros((40, 60, 3), np.uint8))[1].tobytes()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (picture_as(".jpg"), r"a picture \(JPEG\), no network"),
        (picture_as(".png"), r"a picture \(PNG\), no network"),
        (b"PK\x03\x04" + bytes(60), "an archive, no network"),
        (b"\0\0\0\x18ftypmp42" + bytes(60), "a film, no network"),
        (b"version https://host/spec/v1\noid sha256:0", "a pointer to a file that is not here"),
        (b"nothing of the kind", "no network that is known here"),
    ],
)
def test_other_files_are_told_apart(tmp_path, data, words):
    with pytest.raises(InputError, match=words) as refused:
        describe(put(tmp_path / "net.tflite", data))
    assert refused.value.field == "model"


def test_a_missing_file_and_a_large_one(tmp_path, monkeypatch):
    with pytest.raises(InputError, match="cannot be read"):
        describe(tmp_path / "gone.tflite")
    monkeypatch.setattr(landmark_net, "LARGEST_BYTES", 1000)
    with pytest.raises(InputError, match="too large"):
        describe(put(tmp_path / "net.onnx", onnx_body()))


@pytest.mark.parametrize("made", [onnx_body(), tflite_mean(np.zeros((165, 3)), np.zeros(165))])
@pytest.mark.parametrize("kept", [0.6])
def test_a_file_cut_short_is_refused_in_words(tmp_path, capfd, made, kept):
    with pytest.raises(InputError, match="model"):
        opened(put(tmp_path / "net", made[: int(kept * len(made))]))
    assert "Traceback" not in capfd.readouterr().err


def test_a_network_of_another_shape_is_refused(tmp_path):
    """17 places of five numbers are another network's."""
    with pytest.raises(InputError, match="other numbers than a landmark network") as refused:
        opened(put(tmp_path / "other.tflite", tflite_mean(np.zeros((85, 3)), np.zeros(85))))
    assert "1×85" in str(refused.value.value)


def test_outputs_are_known_by_their_size_and_must_make_sense():
    places, score = np.zeros((1, 195), np.float32), np.array([[0.9]], np.float32)
    others = [np.zeros((1, 1, 256, 256), np.float32), np.zeros((1, 117), np.float32)]
    assert read_outputs([others[0], score, places, others[1]]).uv_px.shape == (39, 2)
    with pytest.raises(InputError, match="other numbers"):
        read_outputs([places, places, score])
    with pytest.raises(InputError, match="no probability"):
        read_outputs([places, np.array([[7.0]], np.float32)])
    with pytest.raises(InputError, match="no probability"):
        read_outputs([places + np.nan, score])


def test_a_file_that_breaks_its_process_does_not_break_this_one(tmp_path, monkeypatch):
    """A child that ends without a word, as after a fault in native code."""
    file = describe(put(tmp_path / "body.onnx", onnx_body()))
    silent = put(tmp_path / "python", b"#!/bin/sh\nkill -SEGV $$\n")
    silent.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(silent))
    with pytest.raises(InputError, match="broke down when it was tried"):
        open_net(file, file.sha256)
