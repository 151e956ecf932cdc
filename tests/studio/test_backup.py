"""A studio goes into one file and comes back the same; a damaged file, a full disk or a full folder is refused."""

from __future__ import annotations

import io
import json
import shutil
import sqlite3
import zipfile
from pathlib import Path

import pytest

from fitwright.errors import InputError, Stopped
from fitwright.records.media import keep_stream, path_of, sha256_of
from fitwright.records.models import Work
from fitwright.studio import backup, jobs
from fitwright.studio.storage import clear_copies, storage
from fitwright.studio.visits import new_rider, open_visit

pytestmark = pytest.mark.django_db(transaction=True)
FILM = bytes(range(256)) * 5000


@pytest.fixture
def filled():
    """Two riders, a visit and a film."""
    open_visit(new_rider("Ülla Ørsted Ніна"))
    new_rider("Bo")
    return keep_stream(io.BytesIO(FILM), "side.mp4", "film")


@pytest.fixture
def written(filled, tmp_path) -> Path:
    backup.make_backup(tmp_path / "all.zip")
    return tmp_path / "all.zip"


def test_it_comes_back_the_same(filled, written, tmp_path):
    told = []
    contents = backup.restore(written, tmp_path / "new", lambda share, words: told.append(share))
    assert (contents.riders, contents.visits) == (2, 1)
    assert told[-1] == pytest.approx(1)
    assert told == sorted(told)
    film = tmp_path / "new" / "media" / filled.sha256[:2] / filled.sha256
    assert film.read_bytes() == FILM
    with sqlite3.connect(tmp_path / "new" / "fitwright.sqlite3") as records:
        names = {n for (n,) in records.execute("select name from records_rider")}
        assert records.execute("pragma integrity_check").fetchone() == ("ok",)
    assert names == {"Ülla Ørsted Ніна", "Bo"}


def test_what_can_be_made_again_is_left_out_and_may_be_taken_away(filled, tmp_path, settings):
    shown = Path(settings.MEDIA_ROOT) / "shown"
    shown.mkdir(parents=True)
    (shown / "a-film.mp4").write_bytes(b"x" * 1000)
    names = backup.make_backup(tmp_path / "b.zip").files
    assert not [n for n in names if "shown" in n]
    again = next(s for s in storage().shares if s.again)
    assert (again.count, again.size_bytes) == (1, 1000)
    clear_copies()
    assert not [s for s in storage().shares if s.again]
    assert path_of(filled).is_file()


def test_storage_counts_by_kind(filled):
    films = next(s for s in storage().shares if s.words == "films")
    assert (films.count, films.size_bytes) == (1, len(FILM))


def test_one_changed_byte_is_found(written, tmp_path):
    data = bytearray(written.read_bytes())
    at = data.find(FILM[:512])
    data[at + 100] ^= 1
    written.write_bytes(data)
    with pytest.raises(InputError, match="damaged"):
        backup.check_backup(written)
    with pytest.raises(InputError, match="damaged"):
        backup.restore(written, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_file_that_tells_another_digest_is_found(written, tmp_path):
    with zipfile.ZipFile(written) as old, zipfile.ZipFile(tmp_path / "other.zip", "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name.startswith("media/"):
                data = data[:-1] + b"?"
            new.writestr(name, data)
    with pytest.raises(InputError, match="not what was stored"):
        backup.check_backup(tmp_path / "other.zip")


@pytest.mark.parametrize("manifest", ["[" * 100_000, "[]", "{"])
def test_a_manifest_that_is_none_is_refused(tmp_path, manifest):
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as new:
        new.writestr(backup.MANIFEST, manifest)
    with pytest.raises(InputError, match="is no backup of a studio"):
        backup.check_backup(tmp_path / "other.zip")


@pytest.mark.parametrize("cut", [0, 10, 4000, -200])
def test_a_cut_off_file_is_refused(written, cut):
    written.write_bytes(written.read_bytes()[:cut])
    with pytest.raises(InputError, match="no backup of a studio"):
        backup.read_backup(written)


def test_a_name_that_leads_out_is_refused(written, tmp_path):
    with zipfile.ZipFile(written) as old, zipfile.ZipFile(tmp_path / "evil.zip", "w") as new:
        manifest = json.loads(old.read("manifest.json"))
        manifest["files"]["media/../../out"] = {"size_bytes": 1, "sha256": "0" * 64}
        new.writestr("manifest.json", json.dumps(manifest))
        for name in set(old.namelist()) - {"manifest.json"}:
            new.writestr(name, old.read(name))
        new.writestr("media/../../out", "x")
    with pytest.raises(InputError, match="leads out"):
        backup.restore(tmp_path / "evil.zip", tmp_path / "a" / "new")
    assert not (tmp_path / "out").exists()


def test_nothing_is_overwritten(filled, written, tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="not empty"):
        backup.restore(written, tmp_path / "full")
    with pytest.raises(InputError, match="already"):
        backup.make_backup(written)
    assert (tmp_path / "full" / "mine.txt").read_text() == "mine"


def test_a_lost_or_damaged_film_is_named_and_nothing_is_written(filled, tmp_path):
    path = path_of(filled)
    path.write_bytes(FILM[:-1] + b"?")
    with pytest.raises(InputError, match="damaged"):
        backup.make_backup(tmp_path / "c.zip")
    path.unlink()
    with pytest.raises(InputError, match=r"side\.mp4.*not in the store"):
        backup.make_backup(tmp_path / "c.zip")
    assert list(tmp_path.glob("*c.zip*")) == []


def test_a_full_disk_is_told_before_anything_is_written(filled, tmp_path, monkeypatch):
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(InputError, match="left"):
        backup.make_backup(tmp_path / "d.zip")
    assert list(tmp_path.glob("*d.zip*")) == []


def test_stopped_half_way_nothing_is_left(filled, tmp_path):
    def stop(share: float, words: str) -> None:
        raise Stopped("backup")

    with pytest.raises(Stopped):
        backup.make_backup(tmp_path / "e.zip", stop)
    assert list(tmp_path.glob("*e.zip*")) == []


def test_the_job_writes_it_where_it_was_asked(filled, tmp_path, settings):
    settings.TASKS = {"default": {"BACKEND": "django_tasks.backends.immediate.ImmediateBackend"}}
    jobs.start_backup(str(tmp_path))
    done = Work.objects.get(kind="backup")
    assert done.state == "done"
    file = Path(done.inputs["file"])
    assert file.parent == tmp_path
    assert sha256_of(file)
    assert backup.check_backup(file).visits == 1


@pytest.mark.parametrize("folder", ["", "relative/place", "/nowhere/at/all"])
def test_a_folder_that_is_none_is_refused(filled, folder):
    with pytest.raises(InputError, match="is no folder"):
        jobs.start_backup(folder)
