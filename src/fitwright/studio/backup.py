"""A studio in one file: records, films and photographs with a digest of each, written while the studio is open.

The file is a plain ZIP: `records.sqlite3`, `media/…` under the names of the store, the studio's key, and
`manifest.json` with size and SHA-256 of every file. What can be made again (light copies, smaller pictures, pieces
of an unfinished upload) and media that lie outside the studio are left out; the manifest counts the latter.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from django.conf import settings
from django.db import connection
from django.utils import timezone

from fitwright import __version__
from fitwright.errors import InputError
from fitwright.given import json_in
from fitwright.records.media import CHUNK
from fitwright.records.models import Medium, Rider, Visit

FORMAT, VERSION = "fitwright studio", 1
MANIFEST, RECORDS, KEY = "manifest.json", "records.sqlite3", "secret.key"
Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Contents:
    """What a backup holds, as its manifest tells."""

    made_at: str
    program: str
    riders: int
    visits: int
    outside: int
    files: dict[str, dict[str, Any]]

    @property
    def size_bytes(self) -> int:
        """All files, unpacked."""
        return sum(int(f["size_bytes"]) for f in self.files.values())


def check_room(folder: Path, needed: int) -> None:
    """InputError when the disk of `folder` has less than `needed` bytes and a tenth left."""
    free = shutil.disk_usage(folder).free
    if free < needed * 1.1:
        raise InputError(
            "disk", f"has {megabytes(free)} left", allowed=f"at least {megabytes(needed * 1.1)} for this",
            hint="Name a folder on another disk",
        )  # fmt: skip


def megabytes(size: float) -> str:
    """`12 MB`, `3.4 GB`."""
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{max(size, 1e5) / 1e6:.1f} MB"


def default_name() -> str:
    """A name that sorts by day and hour."""
    return f"studio-{timezone.localtime():%Y-%m-%d-%H%M}.zip"


def make_backup(target: Path, progress: Progress | None = None) -> Contents:
    """Write the whole studio to `target`; it appears whole or not at all. `progress` may raise Stopped.

    Raises:
        InputError: the records live in a database server, the target is there already, the disk is too full, or a
            medium of the store is damaged or lost (it is named; nothing is written).
    """
    if connection.vendor != "sqlite":
        raise InputError(
            "backup", "the records are kept by a database server", value=connection.vendor,
            hint="Use that server's own backup, and copy the media folder",
        )  # fmt: skip
    if target.exists():
        raise InputError(
            "backup", "there is such a file already", value=target.name, hint="Choose another name"
        )
    tell = progress or (lambda _share, _words: None)
    part = target.with_name(f".{target.name}.part")
    try:
        with tempfile.TemporaryDirectory(prefix="fitwright-backup-", dir=target.parent) as folder:
            records = Path(folder) / RECORDS
            _copy_records(records)
            files = [(RECORDS, records, ""), *_media(), *_key()]
            total = sum(path.stat().st_size for _, path, _ in files)
            check_room(target.parent, total)
            contents = _write(part, files, total, tell)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return contents


def read_backup(path: Path) -> Contents:
    """The manifest. Raises InputError for a file that is no backup, or of a newer format."""
    try:
        with zipfile.ZipFile(path) as archive:
            data = json_in(archive.read(MANIFEST))
    except (zipfile.BadZipFile, KeyError, ValueError, EOFError):
        raise InputError(
            path.name, "is no backup of a studio, or is cut off", hint="Choose another file"
        ) from None
    if not isinstance(data, dict) or data.get("format") != FORMAT or not isinstance(data.get("files"), dict):
        raise InputError(path.name, "is no backup of a studio")
    if data["version"] > VERSION:
        raise InputError(path.name, "was made by a newer program", hint="Bring this one up to date first")
    return Contents(
        str(data["made_at"]), str(data["program"]), int(data["riders"]), int(data["visits"]),
        int(data["outside"]), data["files"],
    )  # fmt: skip


def check_backup(path: Path, progress: Progress | None = None) -> Contents:
    """Read every file of the backup and hold its digest against the manifest's; InputError names the first wrong."""
    contents = read_backup(path)
    with zipfile.ZipFile(path) as archive:
        for _ in _unpacked(archive, path.name, contents, progress, lambda name: None):
            pass
    return contents


def restore(path: Path, folder: Path, progress: Progress | None = None) -> Contents:
    """Unpack the backup into `folder`, which must be empty or not there; each file is checked as it is written.

    Raises InputError when the folder holds anything, the disk is too full or a file is damaged; what was unpacked
    is taken away again then.
    """
    contents = read_backup(path)
    if folder.is_file() or (folder.is_dir() and any(folder.iterdir())):
        raise InputError(
            "studio folder",
            "is not empty",
            value=str(folder),
            hint="Name a new folder: nothing is overwritten",
        )
    made = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    check_room(folder, contents.size_bytes)

    def place(name: str) -> Path:
        target = folder / {RECORDS: "fitwright.sqlite3"}.get(name, name)
        target.parent.mkdir(parents=True, exist_ok=True)
        return target

    try:
        with zipfile.ZipFile(path) as archive:
            for name in _unpacked(archive, path.name, contents, progress, place):
                if name == KEY:
                    place(name).chmod(0o600)
    except BaseException:
        for left in folder.iterdir():
            shutil.rmtree(left) if left.is_dir() else left.unlink()
        if made:
            folder.rmdir()
        raise
    return contents


def _copy_records(target: Path) -> None:
    """A consistent copy of the database, also while others write."""
    connection.ensure_connection()
    with closing(sqlite3.connect(target)) as copy:
        connection.connection.backup(copy)


def _media() -> list[tuple[str, Path, str]]:
    """(name in the backup, file, digest it must have) of each medium in the store."""
    root = Path(settings.MEDIA_ROOT)
    found = []
    for sha, name in Medium.objects.filter(outside="").values_list("sha256", "name"):
        path = root / sha[:2] / sha
        if not path.is_file():
            raise InputError(name, "is on record, but its file is not in the store", value=sha[:12])
        found.append((f"media/{sha[:2]}/{sha}", path, sha))
    return found


def _key() -> list[tuple[str, Path, str]]:
    path = Path(settings.STUDIO_DIR) / KEY
    return [(KEY, path, "")] if path.is_file() else []


def _write(part: Path, files: list[tuple[str, Path, str]], total: int, tell: Progress) -> Contents:
    """Pack the files; films and photographs as they are, the rest made smaller."""
    done, listed = 0, {}
    with zipfile.ZipFile(part, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
        for name, path, expected in files:
            info = zipfile.ZipInfo.from_file(path, name, strict_timestamps=False)
            info.compress_type = zipfile.ZIP_STORED if expected else zipfile.ZIP_DEFLATED
            digest = hashlib.sha256()
            with path.open("rb") as source, archive.open(info, "w", force_zip64=True) as sink:
                for piece in _pieces(source):
                    digest.update(piece)
                    sink.write(piece)
                    done += len(piece)
                    tell(done / max(total, 1), "writing")
            if expected and digest.hexdigest() != expected:
                raise InputError(
                    name, "is damaged: its content is not what was stored",
                    hint="Take the file from an older backup, or forget this medium",
                )  # fmt: skip
            listed[name] = {"size_bytes": path.stat().st_size, "sha256": digest.hexdigest()}
        contents = Contents(
            timezone.now().isoformat(timespec="seconds"), __version__, Rider.objects.count(), Visit.objects.count(),
            Medium.objects.exclude(outside="").count(), listed,
        )  # fmt: skip
        archive.writestr(
            MANIFEST, json.dumps({"format": FORMAT, "version": VERSION} | vars(contents), indent=1)
        )
    return contents


def _unpacked(
    archive: zipfile.ZipFile, told: str, contents: Contents, progress: Progress | None,
    place: Callable[[str], Path | None],
) -> Iterator[str]:  # fmt: skip
    """Each file of the manifest, read whole, written where `place` says, and checked."""
    done = 0
    for name, stated in contents.files.items():
        if not _inside(name):
            raise InputError(told, "holds a name that leads out of the studio", value=name[:60])
        digest, target = hashlib.sha256(), place(name)
        try:
            with archive.open(name) as source:
                sink = target.open("wb") if target is not None else None
                try:
                    for piece in _pieces(source):
                        digest.update(piece)
                        if sink is not None:
                            sink.write(piece)
                        done += len(piece)
                        if progress is not None:
                            progress(
                                done / max(contents.size_bytes, 1),
                                "checking" if sink is None else "unpacking",
                            )
                finally:
                    if sink is not None:
                        sink.close()
        except (zipfile.BadZipFile, KeyError, EOFError, NotImplementedError):
            raise InputError(told, "is damaged or cut off", value=name) from None
        if digest.hexdigest() != stated.get("sha256"):
            raise InputError(told, "is damaged: a file is not what was stored", value=name)
        yield name


def _inside(name: str) -> bool:
    """Whether a name stays in the folder it is unpacked into, and is one of ours."""
    parts = PurePosixPath(name).parts
    return name in (RECORDS, KEY) or (len(parts) == 3 and parts[0] == "media" and ".." not in parts)


def _pieces(source: IO[bytes]) -> Iterator[bytes]:
    while piece := source.read(CHUNK):
        yield piece
