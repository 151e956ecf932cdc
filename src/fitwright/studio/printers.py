"""The studio's printers: what the ruler read of each one's check page. A new check is a new row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils import timezone

from fitwright.errors import InputError
from fitwright.records.models import HardwareItem
from fitwright.sheets.print_scale import PrintScale
from fitwright.studio.entry import Field, day_words, read_number

KIND = "printer"
PAPER_WORDS = {"a4": "A4", "us-letter": "Letter"}
READINGS = (
    Field("across_mm", "Bar across", unit="mm", low=80, high=120, hint="level, edge to edge", needed=True),
    Field("along_mm", "Bar along", unit="mm", low=80, high=120, hint="upright, edge to edge", needed=True),
)  # fmt: skip
LONGEST = 60
OLD_DAYS = 180
"""After half a year a check is asked for again (our choice)."""


@dataclass(frozen=True)
class Printer:
    """A printer with one kind of paper, as checked last; `checks`: all of its readings, newest first."""

    key: str
    scale: PrintScale
    paper: str
    by: str
    days: int
    checks: tuple[HardwareItem, ...]

    @property
    def old(self) -> bool:
        """Whether it is time to look again."""
        return self.days > OLD_DAYS

    @property
    def words(self) -> str:
        """What is done for it, in a few words."""
        s = self.scale
        return {
            "true": "true to 0.2 mm in 100 mm: papers are drawn as they are",
            "mended": "a little off: papers that are laid on a shoe are drawn to make up for it",
            "refused": "too far off: nothing that is laid on a shoe is printed on it; set it to 100 %, “actual size”"
            ", and check it again",
        }[s.state]


def printers() -> tuple[Printer, ...]:
    """Those in use, by name."""
    rows = list(HardwareItem.objects.filter(kind=KIND).order_by("-pk"))
    found: dict[str, list[HardwareItem]] = {}
    for row in rows:
        found.setdefault(row.key, []).append(row)
    return tuple(
        sorted(
            (_printer(k, r) for k, r in found.items() if not r[0].retired),
            key=lambda p: p.scale.printer.lower(),
        )
    )


def printer(key: str) -> Printer | None:
    """The printer of this key, None when it is not in use."""
    return next((p for p in printers() if p.key == key), None)


def save_check(typed: Mapping[str, str]) -> tuple[str, dict[str, InputError]]:
    """Keep what the ruler read: (key of the printer, {}), or ("", what is wrong by box)."""
    errors: dict[str, InputError] = {}
    read: dict[str, Any] = {}
    name = " ".join(typed.get("printer", "").split())
    if not 1 <= len(name) <= LONGEST:
        errors["printer"] = InputError("Printer", "needs a name", allowed=f"1 to {LONGEST} characters",
                                       hint="as you call it in the studio")  # fmt: skip
    paper = typed.get("paper", "a4")
    if paper not in PAPER_WORDS:
        errors["paper"] = InputError(
            "Paper", "unknown", value=paper[:20], allowed=" or ".join(PAPER_WORDS.values())
        )
    for field in READINGS:
        text = typed.get(field.name, "").strip()
        try:
            if not text:
                raise InputError(field.label, "is missing", allowed=field.allowed)
            read[field.name] = read_number(field, text)
        except InputError as error:
            errors[field.name] = error
    if errors:
        return "", errors
    key = _key(name, paper)
    _write(key, name, {"paper": paper, **read}, " ".join(typed.get("by", "").split())[:LONGEST])
    return key, {}


def retire(key: str) -> None:
    """Take a printer off the list; its readings stay."""
    one = printer(key)
    if one is None:
        raise InputError("printer", "is none of this studio", value=key[:40])
    last = one.checks[0]
    _write(key, last.label, last.data, last.author, retired=True)


def _write(key: str, name: str, data: Mapping[str, Any], by: str, *, retired: bool = False) -> None:
    old = HardwareItem.objects.current().filter(kind=KIND, key=key).last()
    HardwareItem.objects.create(
        kind=KIND, key=key, label=name, data=dict(data), author=by, retired=retired, replaces=old
    )


def _key(name: str, paper: str) -> str:
    """That of the printer of this name and paper, else a new number: names may be of any script."""
    for row in HardwareItem.objects.filter(kind=KIND).order_by("-pk"):
        if row.label.lower() == name.lower() and row.data.get("paper") == paper:
            return row.key
    return f"p{HardwareItem.objects.filter(kind=KIND).values('key').distinct().count() + 1}"


def _printer(key: str, rows: list[HardwareItem]) -> Printer:
    row = rows[0]
    day = timezone.localtime(row.created_at)
    scale = PrintScale(row.label, float(row.data["across_mm"]), float(row.data["along_mm"]), day_words(day))
    checks = tuple(r for r in rows if not r.retired)
    return Printer(key, scale, row.data["paper"], row.author, (timezone.localtime() - day).days, checks)
