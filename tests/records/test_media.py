"""The media store: whole or not at all, once per content, outside files stay outside."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import pytest
from django.conf import settings

from fitwright.errors import InputError
from fitwright.records import media
from fitwright.records.models import Medium

pytestmark = pytest.mark.django_db


def test_same_content_is_one_medium_and_named_by_its_digest(tmp_path: Path) -> None:
    file = tmp_path / "sole.jpg"
    file.write_bytes(b"picture")
    a, b = media.keep_file(file, "photo"), media.keep_file(file, "photo")
    assert a.pk == b.pk
    assert a.sha256 == hashlib.sha256(b"picture").hexdigest()
    assert media.path_of(a).read_bytes() == b"picture"
    assert not list(Path(settings.MEDIA_ROOT).glob("incoming-*"))


def test_an_empty_upload_leaves_nothing_behind() -> None:
    with pytest.raises(InputError, match="empty"):
        media.keep_stream(io.BytesIO(b""), "a.mp4", "film")
    assert Medium.objects.count() == 0
    assert not list(Path(settings.MEDIA_ROOT).glob("incoming-*"))


def test_too_large_is_refused_while_reading(settings) -> None:
    settings.MAX_MEDIUM_BYTES = 10
    with pytest.raises(InputError, match="too large"):
        media.keep_stream(io.BytesIO(b"x" * 11), "a.mp4", "film")
    assert not list(Path(settings.MEDIA_ROOT).glob("incoming-*"))


def test_a_broken_stream_leaves_no_half_file() -> None:
    class Breaks(io.BytesIO):
        def read(self, size: int | None = -1) -> bytes:
            if self.tell() > 0:
                raise OSError("cable pulled")
            return super().read(3)

    with pytest.raises(OSError, match="cable"):
        media.keep_stream(Breaks(b"abcdef"), "a.mp4", "film")
    assert not list(Path(settings.MEDIA_ROOT).glob("incoming-*"))


def test_outside_files_are_referred_to_not_copied(tmp_path: Path) -> None:
    file = tmp_path / "rider.trc"
    file.write_text("PathFileType")
    medium = media.refer_to(file, "markers")
    assert media.path_of(medium) == file.resolve()
    root = Path(settings.MEDIA_ROOT)
    assert not root.exists() or not [p for p in root.rglob("*") if p.is_file()]
