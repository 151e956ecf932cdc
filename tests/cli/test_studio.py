"""`fitwright studio`: backup, check, restore, storage."""

from __future__ import annotations

import io

import pytest

from fitwright.records.media import keep_stream
from fitwright.studio.visits import new_rider, open_visit

pytestmark = pytest.mark.django_db(transaction=True)


def test_backup_check_restore(answered, tmp_path):
    open_visit(new_rider("Ada Fern"))
    keep_stream(io.BytesIO(b"film" * 1000), "a.mp4", "film")
    written = answered("studio", "backup", tmp_path / "s.zip", "--json")
    assert (written["riders"], written["visits"]) == (1, 1)
    checked = answered("studio", "check", tmp_path / "s.zip", "--json")
    assert checked["files"] == written["files"]
    restored = answered("studio", "restore", tmp_path / "s.zip", tmp_path / "new", "--json")
    assert restored["size_bytes"] == written["size_bytes"]
    assert (tmp_path / "new" / "fitwright.sqlite3").is_file()
    assert answered("studio", "storage", "--json")["free_bytes"] > 0


def test_what_is_refused(refused, tmp_path):
    assert "not found" in refused("studio", "check", tmp_path / "none.zip")
    (tmp_path / "a.zip").write_bytes(b"PK nothing")
    assert "no backup" in refused("studio", "check", tmp_path / "a.zip")
    assert "no backup" in refused("studio", "restore", tmp_path / "a.zip", tmp_path / "new")
    assert "ending in .zip" in refused("studio", "backup", tmp_path / "a.tar")
    assert "no folder" in refused("studio", "backup", tmp_path / "no" / "a.zip")
