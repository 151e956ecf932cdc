"""The cautions that this studio shows: the built-in ones, which nobody can take away, and sentences of its own.

A sentence is a row that is written once; a change is a new row in its place, and what is put away stays on record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fitwright.errors import InputError
from fitwright.records.models import HardwareItem
from fitwright.sheets import cautions

KIND = "caution"
MOST, LONGEST = 3, 160
"""So that the position sheet stays one page with all of them on it."""


@dataclass(frozen=True)
class Own:
    """A sentence of the studio: its key, and every version of it, the newest first."""

    key: str
    versions: tuple[HardwareItem, ...]

    @property
    def text(self) -> str:
        """As it reads now."""
        return str(self.versions[0].data["text"])

    @property
    def retired(self) -> bool:
        """Whether it was put away."""
        return self.versions[0].retired


def own() -> tuple[Own, ...]:
    """All sentences that this studio ever had, in the order in which they were first written."""
    found: dict[str, list[HardwareItem]] = {}
    for row in HardwareItem.objects.filter(kind=KIND).order_by("-pk"):
        found.setdefault(row.key, []).append(row)
    return tuple(sorted((Own(k, tuple(v)) for k, v in found.items()), key=lambda o: o.versions[-1].pk))


def own_sentences() -> tuple[str, ...]:
    """Those in use: one query, for pages and papers."""
    rows = HardwareItem.objects.current().filter(kind=KIND, retired=False)
    return tuple(r.data["text"] for r in sorted(rows, key=lambda r: r.key))


def all_sentences() -> tuple[str, ...]:
    """The built-in ones, then the studio's own."""
    return cautions.ALL + own_sentences()


def save(text: str, key: str = "") -> None:
    """Add a sentence, or say the one under `key` anew; what says nothing new adds no row.

    Raises:
        InputError: no text, too long, the same as another, one too many, or a key that is none.
    """
    clean = " ".join("".join(c if ord(c) >= 32 else " " for c in text).split())
    if not 1 <= len(clean) <= LONGEST:
        told = "is needed" if not clean else f"has {len(clean)} letters, which is too long"
        raise InputError("Sentence", told, allowed=f"1 to {LONGEST} letters")
    known = own()
    if clean in cautions.ALL or any(o.text == clean and o.key != key and not o.retired for o in known):
        raise InputError("Sentence", "stands there already")
    if key:
        old = _known(key, known)
        if old.text != clean or old.retired:
            _room(known, key)
            _write(key, clean, old=old)
        return
    _room(known)
    _write(f"own{len(known) + 1:04d}", clean)


def put_away(key: str) -> None:
    """Show the sentence no more; it stays on record."""
    old = _known(key, own())
    if not old.retired:
        _write(key, old.text, old=old, retired=True)


def _known(key: str, known: Sequence[Own]) -> Own:
    for one in known:
        if one.key == key:
            return one
    raise InputError("Sentence", "is none of this studio’s own", value=key[:20], hint="Reload the page")


def _room(known: Sequence[Own], but: str = "") -> None:
    if sum(not o.retired and o.key != but for o in known) >= MOST:
        raise InputError(
            "Sentence", "one too many", allowed=f"up to {MOST} of your own",
            hint="Put one away first: a page of cautions is read by nobody",
        )  # fmt: skip


def _write(key: str, text: str, *, old: Own | None = None, retired: bool = False) -> None:
    HardwareItem.objects.create(
        kind=KIND, key=key, label=text[:120], data={"text": text}, retired=retired,
        replaces=old.versions[0] if old else None,
    )  # fmt: skip
