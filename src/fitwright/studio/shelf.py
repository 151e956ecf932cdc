"""What a studio keeps under names of its own, as templates: a key's newest row stands, older ones stay on record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol, TypeVar

from fitwright.errors import InputError
from fitwright.records.models import HardwareItem

LONGEST = 60


class Kept(Protocol):
    """A template: `own` says that it is the studio's, not one that came with the program."""

    @property
    def key(self) -> str: ...
    @property
    def label(self) -> str: ...
    @property
    def own(self) -> bool: ...


K = TypeVar("K", bound=Kept)


def rows(kind: str) -> Iterable[HardwareItem]:
    """What is offered now."""
    return HardwareItem.objects.current().filter(kind=kind, retired=False)


def ordered(own: Iterable[K], common: Iterable[K]) -> tuple[K, ...]:
    """The studio's own by name, then those that came with the program."""
    return (*sorted(own, key=lambda t: t.label.casefold()), *common)


def checked_name(name: str) -> str:
    """The name, its blanks tidied; InputError when there is none or it is too long."""
    name = " ".join(name.split())
    if not 1 <= len(name) <= LONGEST:
        raise InputError(
            "Name", "is needed" if not name else "is too long", allowed=f"1 to {LONGEST} letters"
        )
    return name


def key_for(kind: str, name: str, prefix: str) -> str:
    """The key of what already has this name, whose place it takes; a new one otherwise."""
    found = HardwareItem.objects.filter(kind=kind).order_by("pk")
    same = next((r for r in found if r.label.casefold() == name.casefold()), None)
    return same.key if same else f"{prefix}{found.values('key').distinct().count() + 1:04d}"


def write(kind: str, key: str, label: str, data: Mapping[str, Any], *, retired: bool = False) -> None:
    """One more row, in place of the one that stood under this key."""
    old = HardwareItem.objects.current().filter(kind=kind, key=key).last()
    HardwareItem.objects.create(
        kind=kind, key=key, label=label, data=dict(data), retired=retired, replaces=old
    )


def known(offered: Iterable[K], key: str) -> K:
    """The one of this key; InputError when none is."""
    for one in offered:
        if one.key == key:
            return one
    raise InputError("Template", "is not kept here", value=key[:40], hint="Choose another")


def own_one(offered: Iterable[K], key: str) -> K:
    """One of the studio's own, to be put away; InputError for one that came with the program."""
    chosen = known(offered, key)
    if not chosen.own:
        raise InputError("Template", "came with the program and stays", value=chosen.label)
    return chosen
