"""How much room the studio takes on its disk, by what it is."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings
from django.db import connection
from django.db.models import Count, Sum

from fitwright.records.models import Medium

KIND_WORDS = {
    "film": "films",
    "photo": "photographs",
    "markers": "marker recordings",
    "network": "landmark networks",
}


@dataclass(frozen=True)
class Share:
    """One kind of file: how many, how large. `again`: it can be made again from the rest."""

    words: str
    count: int
    size_bytes: int
    again: bool = False


@dataclass(frozen=True)
class Storage:
    """The studio's folder, what lies in it, and what the disk has left (bytes)."""

    folder: str
    shares: tuple[Share, ...]
    free_bytes: int

    @property
    def size_bytes(self) -> int:
        """All of it."""
        return sum(s.size_bytes for s in self.shares)

    @property
    def short(self) -> bool:
        """Whether less is left than ten films of a minute take (2 GB, our choice)."""
        return self.free_bytes < 2e9


def storage() -> Storage:
    """What the studio takes now."""
    root = Path(settings.MEDIA_ROOT)
    kept = Medium.objects.filter(outside="").values("kind").annotate(n=Count("pk"), size=Sum("size_bytes"))
    shares = [
        Share(KIND_WORDS.get(k["kind"], k["kind"]), k["n"], k["size"] or 0) for k in kept.order_by("kind")
    ]
    records = _records()
    shares.append(Share("records", len(records), sum(p.stat().st_size for p in records)))
    shares.append(_folder(root / "shown", "light copies and small pictures", again=True))
    shares.append(_folder(root / "incoming", "unfinished uploads from phones"))
    folder = Path(settings.STUDIO_DIR)
    there = next(
        p for p in (folder, *folder.parents) if p.exists()
    )  # it is made when something is kept in it
    return Storage(str(folder), tuple(s for s in shares if s.count), shutil.disk_usage(there).free)


def clear_copies() -> Share:
    """Take away what can be made again when it is next looked at; what it took."""
    folder = Path(settings.MEDIA_ROOT) / "shown"
    was = _folder(folder, "light copies and small pictures", again=True)
    for path in folder.glob("*") if folder.is_dir() else ():
        if path.is_file() and not path.name.startswith("incoming-"):
            path.unlink(missing_ok=True)
    return was


def _records() -> list[Path]:
    if connection.vendor != "sqlite":
        return []
    name = Path(str(connection.settings_dict["NAME"]))
    return [p for p in name.parent.glob(f"{name.name}*") if p.is_file()] if name.name else []


def _folder(folder: Path, words: str, again: bool = False) -> Share:
    files = [p for p in folder.rglob("*") if p.is_file()] if folder.is_dir() else []
    return Share(words, len(files), sum(p.stat().st_size for p in files), again)
