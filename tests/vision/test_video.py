"""Reading film: true time stamps, rotation, depth of 8 and 10 bit, and files that cannot be used (all simulated)."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from fitwright.errors import InputError, Stopped
from fitwright.vision.track import track_points
from fitwright.vision.video import (
    LumaFrame,
    ReadReport,
    luma_frames,
    missing_tail,
    probe,
    to_sensor,
    to_upright,
)

T = np.arange(40) / 60


@pytest.fixture(scope="module")
def clip(tmp_path_factory, film_maker, three_discs) -> Path:
    film = film_maker.Film(three_discs, T)
    return film_maker.film_to(tmp_path_factory.mktemp("video") / "clip.mp4", film)


def test_time_stamps_are_those_of_the_file_when_the_rate_varies(tmp_path, film_maker, three_discs):
    times = np.cumsum(np.random.default_rng(4).choice([1 / 60, 1 / 50, 1 / 30], 30))
    times -= times[0]
    path = film_maker.film_to(tmp_path / "vfr.mp4", film_maker.Film(three_discs, times))
    read = np.array([f.time_s for f in luma_frames(path)])
    assert np.allclose(read, np.round(times * 90000) / 90000, atol=1e-6)


def test_luma_is_the_decoders_own_plane(clip):
    """Against the library's own conversion of the same frame."""
    ours = [f.luma.copy() for f in luma_frames(clip)]
    with av.open(str(clip)) as container:
        theirs = [
            f.to_ndarray()[: f.height] for f in container.decode(video=0)
        ]  # planar 4:2:0: luma rows first
    assert len(ours) == len(theirs) == len(T)
    assert all(np.array_equal(a, b) for a, b in zip(ours, theirs, strict=True))


def test_ten_bit_luma(tmp_path, film_maker, three_discs):
    film = film_maker.Film(three_discs, T[:12], codec="libx265", pixels="yuv420p10le", options={"crf": "12"})
    path = film_maker.film_to(tmp_path / "ten.mp4", film)
    info = probe(path)
    frame = next(luma_frames(path)).luma
    assert info.bits == 10
    assert frame.dtype == np.uint16
    assert frame.shape == (360, 640)
    assert 4 * 60 < np.median(frame) < 4 * 130


@pytest.mark.parametrize(
    ("codec", "name", "pixels", "options", "ending"),
    [
        ("libx264", "h264", "yuv420p", {"crf": "12", "preset": "ultrafast"}, "mp4"),
        ("libx264", "h264", "yuv420p10le", {"crf": "12", "preset": "ultrafast"}, "mov"),
        ("libx265", "hevc", "yuv420p", {"crf": "12", "preset": "ultrafast"}, "mp4"),
        (
            "libvpx-vp9",
            "vp9",
            "yuv420p",
            {"crf": "10", "b": "0", "deadline": "realtime", "cpu-used": "8"},
            "webm",
        ),
        ("mjpeg", "mjpeg", "yuvj420p", {"qmin": "2", "qmax": "2"}, "avi"),
    ],
)
def test_every_codec_gives_the_brightness_that_was_filmed(
    tmp_path, film_maker, three_discs, codec, name, pixels, options, ending
):
    """Against the levels drawn: the disc's dark middle and its bright ring, in 8-bit levels."""
    film = film_maker.Film(three_discs, T[:6], codec=codec, pixels=pixels, options=options, noise=0.0)
    path = film_maker.film_to(tmp_path / f"a.{ending}", film)
    info = probe(path)
    frames = [(f.time_s, f.luma.copy()) for f in luma_frames(path)]
    assert (info.codec, info.bits, len(frames)) == (name, 10 if "10" in pixels else 8, 6)
    assert info.fps == pytest.approx(60, abs=3)
    per_grey = 255 / ((1 << info.bits) - 1)
    for (time_s, luma), true_s in zip(frames, T, strict=False):
        u, v = np.round(three_discs["hip"](np.array([true_s]))[0]).astype(int)
        assert time_s == pytest.approx(true_s, abs=0.002)
        assert luma[v, u] * per_grey == pytest.approx(34, abs=8)
        assert luma[v, u + 6] * per_grey == pytest.approx(220, abs=20)


def test_a_large_picture_is_read_without_growing(tmp_path, film_maker):
    """3840 × 2160: planes come as they are, and what is kept for the way back stays within its bytes."""
    from fitwright.vision.kept import MOST_BYTES, Kept

    film = film_maker.Film(
        {}, T[:3], size=(3840, 2160), noise=0.0, options={"crf": "30", "preset": "ultrafast"}
    )
    path = film_maker.film_to(tmp_path / "4k.mp4", film)
    info = probe(path)
    kept = Kept(info, np.array([1500.0, 900.0]), np.array([2300.0, 1900.0]))
    for frame in luma_frames(path):
        assert frame.luma.shape == (2160, 3840)
        for k in range(90):
            kept.extend([LumaFrame(frame.time_s + k / 1000, frame.luma)])
    assert sum(c.luma.nbytes for c in kept.cuts) <= MOST_BYTES
    assert 8 <= len(kept.cuts) == kept.capacity < 90


def test_interlaced_film_is_told_and_refused_with_what_to_do(tmp_path):
    path = tmp_path / "i.mkv"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg2video", rate=25)
        stream.width, stream.height, stream.pix_fmt, stream.options = (
            320,
            240,
            "yuv420p",
            {"flags": "+ildct+ilme"},
        )
        for k in range(20):
            grey = np.tile(np.arange(320, dtype=np.uint8), (240, 1)) + np.uint8(k)
            frame = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")
            frame.pts = k
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    assert probe(path).interlaced
    with pytest.raises(InputError, match=r"interlaced.*two moments.*progressive.*60p"):
        track_points(path, 0.0, {"pedal": np.array([50.0, 50.0])})


def test_damage_in_the_middle_is_stepped_over_and_said(tmp_path, film_maker, three_discs):
    """A quarter of the file is overwritten; the frames after the next key frame are whole again."""
    options = {"crf": "16", "preset": "ultrafast", "g": "10"}
    path = film_maker.film_to(tmp_path / "a.mkv", film_maker.Film(three_discs, T, options=options))
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + len(data) // 4] = bytes(len(data) // 4)
    path.write_bytes(bytes(data))
    report = ReadReport()
    times = np.array([f.time_s for f in luma_frames(path, report=report)])
    assert np.all(np.diff(times) > 0)
    assert T.size // 2 < len(times) < T.size - 5
    assert times[-1] == pytest.approx(T[-1], abs=0.01)
    hole = int(np.argmax(np.diff(times)))
    assert missing_tail(probe(path), report).startswith(
        f"the film is damaged: {np.diff(times)[hole]:.1f} s from {times[hole]:.1f} s on hold no frame"
    )


def test_a_part_of_the_film(clip):
    part = [f.time_s for f in luma_frames(clip, 0.2, 0.4)]
    assert np.allclose(part, T[(T > 0.199) & (T < 0.401)], atol=1e-4)


def test_probe(clip):
    info = probe(clip)
    assert (info.codec, info.width_px, info.height_px, info.rotation_deg) == ("h264", 640, 360, 0)
    assert info.duration_s == pytest.approx(len(T) / 60, abs=0.02)
    assert info.exposure_s is None


@pytest.mark.parametrize(("counter_clockwise", "clockwise"), [(0, 0), (90, 270), (180, 180), (-90, 90)])
def test_rotation_is_reported_as_the_clockwise_turn_that_makes_it_upright(
    tmp_path, film_maker, three_discs, counter_clockwise, clockwise
):
    film = film_maker.Film(three_discs, T[:8], rotation=counter_clockwise)
    info = probe(film_maker.film_to(tmp_path / "turned.mp4", film))
    assert info.rotation_deg == clockwise
    assert info.upright_size_px == ((360, 640) if clockwise in (90, 270) else (640, 360))


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_upright_pixels_are_those_of_the_turned_picture(clip, turn):
    """Against numpy's rot90 of a picture with one bright pixel."""
    from dataclasses import replace

    info = replace(probe(clip), rotation_deg=turn)
    picture = np.zeros((info.height_px, info.width_px))
    picture[100, 37] = 1.0
    upright = np.rot90(picture, -turn // 90)
    v, u = np.unravel_index(int(np.argmax(upright)), upright.shape)
    assert np.array_equal(to_upright(np.array([37.0, 100.0]), info), [u, v])
    assert np.array_equal(to_sensor(np.array([float(u), float(v)]), info), [37.0, 100.0])


def test_truncated_file_gives_what_was_readable_and_says_what_is_missing(tmp_path, clip):
    broken = tmp_path / "cut.mkv"
    with av.open(str(clip)) as source, av.open(str(tmp_path / "whole.mkv"), "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                out.mux(packet)
    data = (tmp_path / "whole.mkv").read_bytes()
    broken.write_bytes(data[: int(len(data) * 0.6)])
    report = ReadReport()
    frames = sum(1 for _ in luma_frames(broken, report=report))
    assert 5 < frames < len(T)
    info = probe(broken)
    assert info.duration_s == pytest.approx(len(T) / 60, abs=0.05)
    assert info.fps == pytest.approx(60, abs=2)  # this container counts in milliseconds
    missing = info.duration_s - report.last_s - 1 / info.fps
    assert missing > 0.25
    assert missing_tail(info, report).startswith(f"the film is damaged: {missing:.1f} s")


def test_files_that_are_no_film(tmp_path, clip):
    picture = tmp_path / "picture.mp4"
    picture.write_bytes(cv2.imencode(".jpg", np.full((90, 120), 120, np.uint8))[1].tobytes())
    text = tmp_path / "text.mp4"
    text.write_text("this is not a film\n" * 50)
    empty = tmp_path / "empty.mp4"
    empty.touch()
    headless = tmp_path / "headless.mp4"
    headless.write_bytes(clip.read_bytes()[:4000])
    sound = tmp_path / "sound.mkv"
    with av.open(str(sound), "w") as out:
        stream = out.add_stream("pcm_s16le", rate=8000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        frame.sample_rate = 8000
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    cases = [
        (picture, "is a picture"), (text, "not a film"), (empty, "empty"), (headless, "index"),
        (sound, "no picture"), (tmp_path / "none.mp4", "does not exist"), (tmp_path, "is a folder"),
    ]  # fmt: skip
    for path, words in cases:
        with pytest.raises(InputError, match=words):
            probe(path)
        with pytest.raises(InputError, match=words):
            next(luma_frames(path))


def test_progress_and_cancel(clip):
    shares: list[float] = []
    for _ in luma_frames(clip, progress=shares.append):
        pass
    assert shares == sorted(shares)
    assert 0 < shares[-1] <= 1
    with pytest.raises(Stopped):
        list(luma_frames(clip, cancelled=lambda: True))
