"""Light copies of films, for looking and stepping: made once for each film, kept beside the originals."""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings

from fitwright.records.media import path_of
from fitwright.records.models import Medium
from fitwright.studio.work import Progress
from fitwright.vision.proxy import FrameTable, write_proxy


@dataclass(frozen=True)
class Proxy:
    """The copy's file and its frames."""

    path: Path
    table: FrameTable


def proxy_of(medium: Medium) -> Proxy | None:
    """The copy, when it has been made."""
    video, table = _places(medium)
    try:
        return Proxy(video, FrameTable.from_json(json.loads(table.read_text("utf-8"))))
    except (FileNotFoundError, ValueError, KeyError):
        return None


def make_proxy(medium: Medium, progress: Progress | None = None) -> Proxy:
    """Make the copy unless it is there; `progress` may raise Stopped.

    Raises InputError when the film cannot be read.
    """
    known = proxy_of(medium)
    if known is not None:
        return known
    video, table = _places(medium)
    video.parent.mkdir(parents=True, exist_ok=True)
    descriptor, name = tempfile.mkstemp(dir=video.parent, prefix="incoming-", suffix=".mp4")
    os.close(descriptor)
    temporary = Path(name)
    told = None if progress is None else (lambda share: progress(share, "writing the copy"))
    try:
        made = write_proxy(path_of(medium), temporary, told)
        temporary.replace(video)
    finally:
        temporary.unlink(missing_ok=True)
    temporary.write_text(json.dumps(made.to_json()), encoding="utf-8")
    temporary.replace(table)  # last: a table says that the copy is whole
    return Proxy(video, made)


def _places(medium: Medium) -> tuple[Path, Path]:
    stem = Path(settings.MEDIA_ROOT) / "shown" / f"{medium.sha256}-film"
    return stem.with_suffix(".mp4"), stem.with_suffix(".json")
