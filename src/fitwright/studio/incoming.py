"""Files on their way from a phone: pieces by offset into a temporary file, then checked, kept and laid down.

A broken connection, a reloaded page or a restart of this program goes on where it stopped: what counts is what the
database says was received, and a piece moves it in one transaction with the bytes already on the disk. Pieces that
come twice, or from two windows at once, are answered with the place to go on from.
"""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import F, Sum
from django.utils import timezone

from fitwright.errors import InputError
from fitwright.records.media import Family, adopt_file, family_of
from fitwright.records.models import Medium, PhoneLink, Upload, Visit, Work
from fitwright.studio.entry import sentence
from fitwright.studio.phone import Purpose, is_open, purpose_of
from fitwright.vision.picture import read_picture
from fitwright.vision.video import probe

PIECE_BYTES = 4 * 1024**2
"""What a phone is asked to send at a time; up to twice as much is taken."""
RESERVE_BYTES = 512 * 1024**2
"""Left free on the disk for the studio's own records (our choice)."""
MOST_UNDER_WAY = 20
KEPT_HOURS = 24.0
CRASHED_S = 120.0
TAKEN = {"film": ("bmff", "matroska"), "photo": ("jpeg", "png", "heif")}
ANEW = "Choose it again to send it anew"
TAKEN_WORDS = {"film": "MP4, MOV, MKV or WebM", "photo": "JPEG, PNG or HEIC"}


class WrongOffset(InputError):  # noqa: N818 - told to the page, which then goes on from the right place
    """A piece does not begin where the file here ends."""

    def __init__(self, upload: Upload) -> None:
        self.upload = upload
        super().__init__(upload.name, "goes on from another place", value=upload.received_bytes)


def begin(link: PhoneLink, name: str, size: int, modified_ms: int = 0, sha256: str = "") -> Upload:
    """Announce a file, or find it again: the same name, size and time stamp go on where they stopped.

    Raises InputError when it is empty, too large, or the disk has no room, or the code has ended.
    """
    name = plain_name(name)
    if purpose_of(link.purpose).kind not in TAKEN:
        raise InputError(name, "is not what is asked here", hint="Answer the questions of the page")
    if size <= 0:
        raise InputError(name, "the file is empty", hint="Take it again")
    if size > settings.MAX_MEDIUM_BYTES:
        most = settings.MAX_MEDIUM_BYTES // 1024**2
        raise InputError(name, "is too large", allowed=f"up to {most} MB", hint="A minute is enough: cut it")
    if not is_open(link):
        raise InputError("code", "has ended", hint="Ask for a new one at the bench")
    clear_stale()
    same: dict[str, Any] = {"name": name, "size_bytes": size, "modified_ms": modified_ms}
    with transaction.atomic():
        known = _known(link, same)
        if known is None:
            _check_room(link, size)
            known, _ = Upload.objects.get_or_create(
                link=link, state="receiving", **same, defaults={"sha256": sha256}
            )
        if known.state == "receiving":
            _settle(known)
    return _finished(known) if _complete(known) else known


def receive(link: PhoneLink, pk: int, offset: int, piece: bytes) -> Upload:
    """Write one piece at its offset; the last one ends the upload and lays it at its place.

    Raises:
        WrongOffset: the piece begins elsewhere than the file here ends. InputError: the upload is over, was stopped
        at the bench, holds more than it said, is of another kind, or the disk is full.
    """
    refused: InputError | None = None
    with transaction.atomic():  # what it writes stays when the piece is refused
        upload = _locked(link, pk)
        if upload.state == "receiving":
            refused = _append(upload, offset, piece)
    if refused is None and upload.state in ("failed", "cancelled"):
        refused = InputError(upload.name, upload.error or "was stopped", hint=ANEW)
    if refused is not None:
        raise refused
    return _finished(upload) if _complete(upload) else upload


def cancel(link: PhoneLink, pk: int) -> Upload:
    """Stop an upload that is under way, and drop what came of it."""
    with transaction.atomic():
        upload = _locked(link, pk)
        if upload.state == "receiving":
            _drop(upload, "cancelled", "stopped at the phone")
    return upload


def upload_of(link: PhoneLink, pk: int) -> Upload:
    """An upload of this link; InputError when it is none."""
    found = Upload.objects.select_related("work", "link__visit").filter(link=link, pk=pk).first()
    if found is None:
        raise InputError("file", "is not known here any more", hint=ANEW)
    return found


def lay_again(visit: Visit, pk: int) -> Purpose:
    """Of several that came for a place, take this one."""
    found = (
        Upload.objects.select_related("link", "medium").filter(link__visit=visit, pk=pk, state="done").first()
    )
    if found is None or found.medium is None:
        raise InputError("file", "is not one that came in for this visit")
    purpose = purpose_of(found.link.purpose)
    purpose.lay(visit, found.medium, found.link.about)
    return purpose


def clear_stale(now_s: float | None = None) -> int:
    """Drop what was begun and then not touched for a day; returns how many files went."""
    folder = _folder()
    if not folder.is_dir():
        return 0
    before_s = (time.time() if now_s is None else now_s) - KEPT_HOURS * 3600
    gone = 0
    for part in folder.glob("*.part"):
        try:
            if part.stat().st_mtime >= before_s:
                continue
        except FileNotFoundError:  # just kept
            continue
        with transaction.atomic():
            rows = Upload.objects.select_for_update(of=("self",)).filter(state__in=("receiving", "checking"))
            upload = rows.filter(pk=int(part.stem)).first() if part.stem.isdigit() else None
            if upload is not None:
                _drop(upload, "cancelled", "was not finished within a day")
            part.unlink(missing_ok=True)
        gone += 1
    return gone


def plain_name(name: str) -> str:
    """A file's own name without folders and control characters, for showing only: files here are named by number."""
    last = name.replace("\\", "/").rpartition("/")[2]
    kept = "".join(c for c in last if c.isprintable()).strip().lstrip(".")
    stem, dot, suffix = kept.rpartition(".")
    return (f"{stem[:180]}{dot}{suffix[:16]}" if dot else kept[:180]) or "file"


def part_of(upload: Upload) -> Path:
    """The temporary file."""
    return _folder() / f"{upload.pk}.part"


def _folder() -> Path:
    return Path(settings.MEDIA_ROOT) / "incoming"


def _known(link: PhoneLink, same: dict[str, Any]) -> Upload | None:
    """The same file under way for this place, also by an earlier code, or done by this one."""
    place = Upload.objects.select_related("work", "link__visit").filter(
        link__visit=link.visit, link__purpose=link.purpose, **same
    )
    found = (
        place.filter(state__in=("receiving", "checking")).last()
        or place.filter(link=link, state="done").last()
    )
    if found is not None and found.link != link:
        found.link = link
        found.save(update_fields=["link"])
    return found


def _settle(upload: Upload) -> None:
    """Make record and temporary file agree, and show the work at the bench (again)."""
    path = part_of(upload)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.touch(mode=0o600)
    upload.received_bytes = min(upload.received_bytes, path.stat().st_size)
    if upload.work is None or upload.work.state != "waiting":
        purpose = purpose_of(upload.link.purpose)
        upload.work = Work.objects.create(
            visit=upload.link.visit,
            kind="phone",
            title=f"From a phone: {purpose.words}",
            state="waiting",
        )
    upload.save()
    _tell(upload)


def _check_room(link: PhoneLink, size: int) -> None:
    under_way = Upload.objects.filter(state="receiving")
    if under_way.filter(link=link).count() >= MOST_UNDER_WAY:
        raise InputError(
            "files", f"{MOST_UNDER_WAY} are under way already", hint="Let some of them end first"
        )
    promised = under_way.aggregate(left=Sum(F("size_bytes") - F("received_bytes")))["left"] or 0
    root = Path(settings.MEDIA_ROOT)
    root.mkdir(parents=True, exist_ok=True)
    free = shutil.disk_usage(root).free - RESERVE_BYTES - promised
    if size > free:
        raise InputError(
            "disk of the studio", f"has no room for {size // 1024**2 + 1} MB", hint="Say so at the bench"
        )


def _locked(link: PhoneLink, pk: int) -> Upload:
    """The row, held until the transaction ends, so that two windows write one after the other."""
    Upload.objects.select_for_update(of=("self",)).filter(link=link, pk=pk).first()
    return upload_of(link, pk)


def _append(upload: Upload, offset: int, piece: bytes) -> InputError | None:
    """Write the piece behind what is here, or say why not; what cannot be mended ends the upload."""
    if upload.link.closed or (upload.work is not None and upload.work.state == "stopped"):
        _drop(upload, "cancelled", "was stopped at the bench")
        return InputError(upload.name, "was stopped at the bench", hint="Ask there if it is still wanted")
    if not part_of(upload).is_file():
        _settle(upload)  # begins anew
    if offset != upload.received_bytes:
        return WrongOffset(upload)
    if offset + len(piece) > upload.size_bytes:
        return InputError(upload.name, "sends more than it said", hint=ANEW)
    if offset == 0 and piece:
        try:
            _check_kind(upload, piece[:64])
        except InputError as error:
            _drop(upload, "failed", sentence(error))
            return error
    try:
        _write(part_of(upload), offset, piece)
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        return InputError("disk of the studio", "is full", hint="Say so at the bench, then go on")
    upload.received_bytes += len(piece)
    upload.save(update_fields=["received_bytes", "updated_at"])
    _tell(upload)
    return None


def _write(path: Path, offset: int, piece: bytes) -> None:
    """On the disk before the database says so: after a power cut it goes on from what is truly here."""
    with path.open("r+b") as file:
        file.seek(offset)
        file.write(piece)
        file.flush()
        os.fsync(file.fileno())


def _tell(upload: Upload) -> None:
    """How far it is, at the bench; waiting work is stopped there at once, and the next piece finds it so."""
    here, whole = upload.received_bytes / 1024**2, upload.size_bytes / 1024**2
    Work.objects.filter(upload=upload, state="waiting").update(
        fraction=upload.received_bytes / upload.size_bytes, updated_at=timezone.now(),
        message=f"{here:.0f} of {whole:.0f} MB" if whole >= 1 else "",
    )  # fmt: skip


def _drop(upload: Upload, state: str, why: str) -> None:
    """End it without a medium: "failed" for what was sent, "cancelled" for what somebody wanted."""
    upload.state, upload.error = state, why[:300]
    upload.save(update_fields=["state", "error", "updated_at"])
    ended = {"state": "failed", "error": {"error": why}} if state == "failed" else {"state": "stopped"}
    Work.objects.filter(upload=upload, state="waiting").update(updated_at=timezone.now(), **ended)
    part_of(upload).unlink(missing_ok=True)


def _complete(upload: Upload) -> bool:
    """All of it is here and nobody is checking it; a check that a crash left behind is taken up again."""
    if upload.state == "checking":
        late: bool = upload.updated_at < timezone.now() - timedelta(seconds=CRASHED_S)
        if late:
            Upload.objects.filter(pk=upload.pk, state="checking").update(state="receiving")
        return late
    whole: bool = upload.received_bytes == upload.size_bytes
    return upload.state == "receiving" and whole


def _finished(upload: Upload) -> Upload:
    """Check, keep and lay down; only one of several callers does it, the others find it being checked."""
    rows = Upload.objects.filter(pk=upload.pk)
    if not rows.filter(state="receiving").update(state="checking", updated_at=timezone.now()):
        return upload_of(upload.link, upload.pk)
    try:
        medium = _kept(upload)
        purpose_of(upload.link.purpose).lay(upload.link.visit, medium, upload.link.about)
        rows.update(state="done", medium=medium, error="", updated_at=timezone.now())
        _end_work(upload, state="done", fraction=1.0, message="")
    except InputError as error:
        part_of(upload).unlink(missing_ok=True)
        rows.update(state="failed", error=sentence(error)[:300], updated_at=timezone.now())
        _end_work(upload, state="failed", error={"error": sentence(error)})
    except BaseException:  # a full disk, say: what came stays, and the phone may ask again
        rows.filter(state="checking").update(state="receiving", updated_at=timezone.now())
        raise
    return upload_of(upload.link, upload.pk)


def _end_work(upload: Upload, **how: Any) -> None:
    Work.objects.filter(upload=upload).update(updated_at=timezone.now(), **how)


def _kept(upload: Upload) -> Medium:
    """The medium, once its content is what its place needs and its digest what the sender stated."""
    path, kind = part_of(upload), purpose_of(upload.link.purpose).kind
    with path.open("rb") as file:
        family = _check_kind(upload, file.read(64))
    read: Callable[[Path], object] = probe if kind == "film" else read_picture
    try:
        read(path)
    except InputError as error:
        problem = error.problem.replace(path.name, "the file")
        raise InputError(upload.name, problem, allowed=error.allowed, hint="Take it again") from error
    name = (
        upload.name
        if Path(upload.name).suffix.lower() in family.suffixes
        else upload.name + family.suffixes[0]
    )
    return adopt_file(path, name, kind, expected=upload.sha256, simulated=upload.link.visit.simulated)


def _check_kind(upload: Upload, head: bytes) -> Family:
    """The file's family by its first bytes; its name is not asked."""
    kind = purpose_of(upload.link.purpose).kind
    family = family_of(head)
    if family is None or family.name not in TAKEN[kind]:
        raise InputError(upload.name, f"is no {kind} that is taken", allowed=TAKEN_WORDS[kind])
    return family
