"""What is typed at the bench: fields, and numbers the way people write them.

A station lists its `Field`s; what somebody typed for them is read here, with errors that name the field and the
allowed range. Nothing typed is thrown away: an `Entry` keeps the text beside what is on record.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from django.utils.dateformat import format as date_format
from django.utils.translation import gettext

from fitwright.errors import InputError, check_range

LENGTHS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, '"': 25.4, "″": 25.4}
UNITS: dict[str, dict[str, float]] = {
    "mm": LENGTHS_MM,
    "cm": {unit: mm / 10 for unit, mm in LENGTHS_MM.items()},
    "deg": {"deg": 1.0, "°": 1.0, "degrees": 1.0},
    "kg": {"kg": 1.0, "g": 0.001, "lb": 0.45359237},
}
SIGNS = {"deg": "°", "1": ""}
DIGITS = r"\d{1,3}(?:[\s'’]\d{3})+(?:[.,]\d*)?|\d[\d.,]*|[.,]\d+"
NUMBER = re.compile(rf"^\s*([+\-−–]?)\s*({DIGITS})\s*([^\d\s.,][^\d]*)?$")
BY_THE_INCH = re.compile(
    r"^\s*(?:(\d+)\s*(?:ft\.?|feet|foot|['′’])\s*)?(?:(\d+(?:[.,]\d+)?)(?!\s*/|\d))?\s*(?:(\d+)\s*/\s*(\d+))?"
    r"\s*(in\.?|inch|inches|[\"″”]|'')?\s*$"
)
"""Feet and fractions, always with their mark: a bare "1/2" is no number of millimetres."""
LONGEST_TEXT = 4000


@dataclass(frozen=True)
class Method:
    """A way of measuring, with the standard uncertainty it usually has (in the field's unit)."""

    name: str
    label: str
    u: float


@dataclass(frozen=True)
class Field:
    """One thing to fill in.

    Attributes:
        name: of the form field. key, side: of the record; `key` defaults to `name`.
        kind: "number", "readings" (several numbers), "text", "paragraph", "choice", "yes_no", "rating" (0–10),
            "tick" or "date".
        unit, low, high: of a number. u: usual standard uncertainty of one reading. methods: ways to measure it.
        choices: (value, words) pairs. hint: how to do it, in a few words. why: longer, shown on wish.
        needed: whether the station counts as unfinished without it.
    """

    name: str
    label: str
    kind: str = "number"
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    u: float = 0.0
    methods: tuple[Method, ...] = ()
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""
    why: str = ""
    needed: bool = False
    key: str = ""
    side: str = ""

    @property
    def record(self) -> tuple[str, str]:
        """(key, side) on record."""
        return self.key or self.name, self.side

    @property
    def sign(self) -> str:
        """The unit as written beside the box."""
        return SIGNS.get(self.unit, self.unit)

    @property
    def allowed(self) -> str:
        """`400 to 1000 mm`, empty when the field is no number."""
        if self.kind not in ("number", "readings") or self.low == self.high:
            return ""
        return f"{self.low:g} to {self.high:g} {self.sign}".strip().replace(" °", "°").replace("-", "−")

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the inputs that belong to this field."""
        return (self.name, f"{self.name}.u", f"{self.name}.how") if self.methods else (self.name,)


class Ask(InputError):  # noqa: N818 - a question, not a mistake
    """Possible but odd: kept only when somebody says that it was measured right, by sending `keep` back."""

    def __init__(self, field: str, problem: str, *, keep: str) -> None:
        super().__init__(field, problem, hint="Measured right?")
        self.keep = keep


@dataclass(frozen=True)
class Entry:
    """A field with what stands in its box, what is on record, and what was wrong with it."""

    field: Field
    text: str = ""
    u_text: str = ""
    how: str = ""
    recorded: str = ""
    error: InputError | None = None

    @property
    def known(self) -> bool:
        """Whether something is on record."""
        return bool(self.recorded)

    @property
    def complaint(self) -> str:
        """The error as one sentence for a person."""
        return sentence(self.error) if self.error else ""


@dataclass(frozen=True)
class Group:
    """Fields that belong together on the page."""

    title: str
    entries: tuple[Entry, ...]
    note: str = ""
    layout: str = (
        ""  # "", "columns" (short fields beside each other), "sides" (left, right), "rulers", "questions"
    )
    folded: bool = False  # whether it waits behind its title until something is in it

    @property
    def open(self) -> bool:
        """Whether a folded group is shown open: something is in it, or wrong."""
        return any(e.text or e.error for e in self.entries)


def lowered(label: str) -> str:
    """The label inside a sentence: "saddle height", but "Q factor"."""
    return label if label[1:2] in ("", " ") else label[0].lower() + label[1:]


@dataclass
class Saved:
    """What a save did: names of the fields written, errors by field name; and fields of the same station that
    somebody else had changed since the page was shown, with their name (empty when they gave none)."""

    written: list[str] = field(default_factory=list)
    meanwhile: dict[str, str] = field(default_factory=dict)
    errors: dict[str, InputError] = field(default_factory=dict)


def sentence(error: InputError) -> str:
    """`Saddle height: outside the allowed range. Allowed: 400 to 1000 mm.`"""
    parts = [f"{error.field}: {error.problem}"]
    if error.allowed:
        parts.append(f"Allowed: {error.allowed}")
    if error.hint:
        parts.append(error.hint)
    line = ". ".join(p.rstrip(".") for p in parts)
    return line if line.endswith("?") else f"{line}."


def read_number(field_: Field, text: str) -> float:
    """The number in `text`, in the field's unit: "172,5", "17.25 cm" and "172.5" are the same crank in mm.

    Raises InputError when it is no number, has a unit of another kind, or lies outside the allowed range.
    """
    inches = _inches(text) if field_.unit in ("mm", "cm") else None
    match = NUMBER.match(text if inches is None else f"{inches} in")
    if match is None:
        raise InputError(field_.label, f"“{text.strip()[:40]}” is not a number", allowed=field_.allowed)
    minus, digits, unit = match.groups()
    value = _digits(field_, digits, text) * (-1.0 if minus in ("-", "−", "–") else 1.0)
    value *= _factor(field_, (unit or "").strip().lower())
    try:
        return check_range(field_.label, value, field_.low, field_.high, field_.sign)
    except InputError as error:
        raise InputError(
            field_.label, "outside the allowed range", value=text.strip()[:40], allowed=field_.allowed,
            hint="" if unit else _other_unit(field_, value, digits.strip()),
        ) from error  # fmt: skip


def _inches(text: str) -> float | None:
    """`6 13/16 in`, `5 ft 8 1/2 in` and `5' 8"` in inches; None for anything else."""
    match = BY_THE_INCH.match(text)
    if match is None:
        return None
    feet, whole, top, bottom, mark = match.groups()
    if (feet is None and (top is None or mark is None)) or (bottom is not None and int(bottom) == 0):
        return None
    part = int(top) / int(bottom) if top else 0.0
    return 12 * int(feet or 0) + float((whole or "0").replace(",", ".")) + part


def _digits(field_: Field, digits: str, text: str) -> float:
    """Digits with a decimal comma or point; the last of two different separators is the decimal one."""
    plain = re.sub(r"[\s'’]", "", digits)
    last = max(plain.rfind("."), plain.rfind(","))
    if last >= 0:
        head, tail = plain[:last], plain[last + 1 :]
        if plain[last] in head or not set(head) <= set("0123456789.,") or (not tail.isdigit() and tail):
            raise InputError(
                field_.label, f"“{text.strip()[:40]}” can be read in two ways", allowed=field_.allowed
            )
        plain = f"{re.sub('[.,]', '', head) or '0'}.{tail or '0'}"
    return float(plain)


def _other_unit(field_: Field, value: float, digits: str) -> str:
    """`If 172 cm was meant, type “172 cm”` when another unit would have been in range."""
    for unit in ("cm", "m", "in"):
        factor = UNITS.get(field_.unit, {}).get(unit, 1.0)
        if factor != 1.0 and field_.low <= value * factor <= field_.high:
            return f"If {digits} {unit} was meant, type “{digits} {unit}”"
    return ""


def _factor(field_: Field, unit: str) -> float:
    known = UNITS.get(field_.unit, {field_.unit: 1.0})
    unit = {"inch": "in", "inches": "in", "”": '"', "''": '"'}.get(unit, unit)
    if not unit:
        return 1.0
    if unit not in known:
        raise InputError(
            field_.label, f"“{unit[:20]}” is not a unit it can be given in",
            allowed=f"{field_.allowed} ({', '.join(u for u in known if u)})".replace(" ()", ""),
        )  # fmt: skip
    return known[unit]


def read_readings(field_: Field, text: str) -> list[float]:
    """Several numbers, parted by spaces, semicolons, slashes or new lines ("7,5 8 6,5", "27.1 cm 27.3 cm").

    A comma parts them only when a space follows. Raises InputError for the first one that is wrong, or for more
    than twenty.
    """
    # A word behind a number is its unit, right or wrong.
    joined = re.sub(r"(?<=\d)\s+(?=[^\W\d])", "", text.strip())
    parts = [p for p in re.split(r",\s+|[\s;/]+", joined) if p]
    if len(parts) > 20:
        raise InputError(field_.label, f"{len(parts)} readings", allowed="1 to 20 readings")
    return [read_number(field_, part.strip(",")) for part in parts]


def read_rating(field_: Field, text: str) -> int:
    """A whole number 0–10."""
    if not re.fullmatch(r"\s*(\d|10)\s*", text):
        raise InputError(field_.label, f"“{text.strip()[:40]}” is not a rating", allowed="0 to 10")
    return int(text)


def read_choice(field_: Field, text: str) -> str:
    """One of the choices."""
    allowed = field_.choices or (("yes", "yes"), ("no", "no"))
    if text not in {value for value, _ in allowed}:
        raise InputError(
            field_.label, f"“{text[:40]}” is not a choice", allowed=", ".join(w for _, w in allowed)
        )
    return text


def read_text(field_: Field, text: str) -> str:
    """Free text without control characters, at most 4000 characters."""
    clean = "".join(c for c in text if c in "\n\t" or ord(c) >= 32).strip()
    if len(clean) > LONGEST_TEXT:
        raise InputError(
            field_.label, f"{len(clean)} characters is too long", allowed=f"up to {LONGEST_TEXT} characters"
        )
    return clean


def read_date(field_: Field, text: str) -> str:
    """An ISO date."""
    try:
        return date.fromisoformat(text.strip()).isoformat()
    except ValueError as error:
        raise InputError(
            field_.label, f"“{text[:40]}” is not a date", allowed="year-month-day, like 2026-05-14"
        ) from error


def plain(value: float) -> str:
    """A number for a box: no trailing zeros, at most three decimals."""
    return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")


def overlay(groups: Iterable[Group], typed: Mapping[str, str], saved: Saved) -> tuple[Group, ...]:
    """The groups with what was typed put back into the boxes and the errors at their fields."""

    def laid(entry: Entry) -> Entry:
        name = entry.field.name
        error = saved.errors.get(name) or saved.errors.get(f"{name}.u")
        if name not in typed:
            return replace(entry, error=error)
        return replace(
            entry, text=typed[name], u_text=typed.get(f"{name}.u", entry.u_text),
            how=typed.get(f"{name}.how", entry.how), error=error,
        )  # fmt: skip

    return tuple(replace(g, entries=tuple(laid(e) for e in g.entries)) for g in groups)


def day_words(when: date) -> str:
    """`26 November 2026`, `26. November 2026`: a day as the language of the page or paper writes it."""
    return date_format(when, gettext("j F Y"))
