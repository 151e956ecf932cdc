"""The studio's bands: those that are published, changed where this studio wants others, and its own for a use.

A change is a row that is written once, with who made it and why; the row before stays and can be taken again. What is
not published can be added and put away, never erased. Plans keep the bands they were made with.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.db import transaction

from fitwright.errors import InputError
from fitwright.plan.findings import SETTING
from fitwright.plan.search import SERVES
from fitwright.plan.targets import (
    METHODS,
    QUANTITIES,
    ROLES,
    STRENGTHS,
    TARGETS,
    Clash,
    clashes,
    for_use,
    shared_uses,
    told,
)
from fitwright.plan.types import USES, Target
from fitwright.records.models import Band
from fitwright.studio.entry import Field, read_choice, read_number, read_text
from fitwright.studio.intake import USE_WORDS

PUBLISHED = {t.ident: t for t in TARGETS}
STRENGTH_WORDS = {
    "study": "a study", "review": "a review", "opinion": "experience, no data", "practice": "practice, no source",
}  # fmt: skip
ROLE_WORDS = {"target": "the plan may act on it", "describe": "shown only, never acted on"}
STATE_WORDS = {"dynamic": "while pedalling", "static": "standing still"}
WORDS = {
    "label": "What it is about", "quantity": "Quantity", "low": "From", "high": "To", "state": "Measured",
    "dimension": "Seen in", "role": "Used for", "strength": "Rests on", "source": "Source",
    "population": "Found on", "uses": "Counts for", "why": "Why it is changed", "who": "Who changes it",
}  # fmt: skip
LONGEST = {"label": 100, "source": 400, "population": 200, "why": 1000, "who": 120}


@dataclass(frozen=True)
class StudioBand:
    """One band as it counts now. `published`: what it is without this studio's changes, None for its own."""

    target: Target
    published: Target | None
    row: Band | None = None

    @property
    def ident(self) -> str:
        """Its name, which stays."""
        return self.target.ident

    @property
    def retired(self) -> bool:
        """Whether it is put away."""
        return self.row is not None and self.row.retired

    @property
    def changed(self) -> bool:
        """Whether this studio has another one than the published."""
        return self.target != self.published

    @property
    def method_words(self) -> str:
        """`2-D, while pedalling`; empty where the method does not matter."""
        said = (
            self.target.method.get("dimension", ""),
            STATE_WORDS.get(self.target.method.get("state", ""), ""),
        )
        return ", ".join(w for w in said if w)

    @property
    def role_words(self) -> str:
        """What a plan does with it; a band of opinion is acted on only on wish."""
        only = self.target.role == "target" and self.target.strength == "opinion"
        return "acted on only where a visit wishes it" if only else ROLE_WORDS[self.target.role]

    @property
    def uses_words(self) -> str:
        """`road, long rides; gravel`, or all."""
        return "; ".join(USE_WORDS[u] for u in self.target.uses) or "every use"

    @property
    def texts(self) -> dict[str, str]:
        """What stands in the boxes of its form."""
        t = self.target
        plain = {"low": f"{t.low:g}", "high": f"{t.high:g}", "quantity": t.key} | dict(t.method)
        same = {n: str(getattr(t, n)) for n in ("label", "role", "strength", "source", "population")}
        return plain | same | {f"use.{u}": "yes" for u in t.uses}


@dataclass(frozen=True)
class Step:
    """One entry of a band's history; `before` and `after` in words, `row` 0 for what is published."""

    row: int
    when: datetime | None
    who: str
    why: str
    before: str
    after: str
    current: bool


def bands(use: str = "", *, retired: bool = False) -> tuple[StudioBand, ...]:
    """The bands that count now, published ones first; for one use, or all; those put away only when asked for."""
    rows = {r.key: r for r in Band.objects.current()}
    found = [_band(rows.pop(ident, None), t) for ident, t in PUBLISHED.items()]
    found += [_band(row, None) for row in rows.values()]
    return tuple(
        b for b in found
        if (retired or not b.retired) and (not use or not b.target.uses or use in b.target.uses)
    )  # fmt: skip


def targets() -> tuple[Target, ...]:
    """The studio's bands, for a plan."""
    return tuple(b.target for b in bands())


def band(ident: str) -> StudioBand:
    """One band, put away or not; InputError for a name that is none."""
    for b in bands(retired=True):
        if b.ident == ident:
            return b
    raise InputError("band", "is not one of this studio", value=ident[:60], hint="Choose one from the list")


def fields(quantity: str) -> tuple[Field, ...]:
    """The boxes of a band about one quantity."""
    about = QUANTITIES[quantity]
    kinds = {"role": ROLE_WORDS, "strength": STRENGTH_WORDS}
    ends = tuple(
        Field(n, WORDS[n], unit=about.unit, low=about.low, high=about.high, needed=True)
        for n in ("low", "high")
    )
    method = tuple(
        Field(n, WORDS[n], "choice", choices=tuple((v, STATE_WORDS.get(v, v)) for v in known), needed=True)
        for n, known in METHODS.items() if about.joint
    )  # fmt: skip
    choices = tuple(
        Field(n, WORDS[n], "choice", choices=tuple(w.items()), needed=True) for n, w in kinds.items()
    )
    texts = tuple(Field(n, WORDS[n], "text", needed=n in ("why", "who")) for n in LONGEST)
    return (*ends, *method, *choices, *texts)


def save_band(typed: Mapping[str, str], ident: str = "") -> tuple[StudioBand | None, dict[str, InputError]]:
    """Change a band, or add one of the studio's own: (band, {}), or (None, what is wrong by box).

    A change that says nothing new adds no row.
    """
    known = band(ident) if ident else None
    quantity = known.target.key if known else typed.get("quantity", "")
    if quantity not in QUANTITIES:
        return None, {"quantity": InputError(WORDS["quantity"], "choose what the band is about")}
    read, errors = _read(quantity, typed)
    if not errors:
        wanted = _target(quantity, read, typed, known)
        if known is not None and wanted == known.target and not known.retired:
            return known, {}
        errors = _wrong(wanted)
        if not errors:
            return _write(wanted, read["why"], read["who"]), {}
    return None, errors


def put_away(ident: str, why: str, who: str) -> StudioBand:
    """Let a band count no more; it stays on record."""
    known = band(ident)
    return _write(known.target, _needed("why", why), _needed("who", who), retired=True)


def use_again(ident: str, why: str, who: str) -> StudioBand:
    """Let a band that was put away count again."""
    return _again(band(ident).target, why, who)


def restore(ident: str, row: int, why: str, who: str) -> StudioBand:
    """Take a former state of a band again; row 0 is what is published."""
    if row == 0 and ident in PUBLISHED:
        return _again(PUBLISHED[ident], why, who)
    former = Band.objects.filter(key=ident, pk=row).first()
    if former is None:
        raise InputError(
            "former", "is no former state of this band", value=row, hint="Choose one from its history"
        )
    return _again(Target.from_json(former.data), why, who)


def history(ident: str) -> tuple[Step, ...]:
    """What became of a band, newest first; the last entry is what is published."""
    rows = list(Band.objects.filter(key=ident).order_by("created_at", "pk"))
    published = PUBLISHED.get(ident)
    untouched = not rows
    steps, before = [], in_words(published) if published else ""
    if published is not None:
        steps.append(Step(0, None, "", "as published", "", before, untouched))
    for row in rows:
        after = "put away" if row.retired else in_words(Target.from_json(row.data))
        steps.append(Step(row.pk, row.created_at, row.author, row.why, before, after, row == rows[-1]))
        before = after
    return tuple(reversed(steps))


def clashes_now() -> tuple[Clash, ...]:
    """Bands that exclude each other as they are."""
    return clashes(targets())


def changed_since(kept: list[dict[str, Any]], use: str) -> bool:
    """Whether the bands of a use are others than those that a plan kept."""
    return [t.to_json() for t in for_use(targets(), use)] != kept


def in_words(t: Target) -> str:
    """`30 to 40° for every use, acted on (study)`."""
    unit = {"deg": "°", "1": ""}.get(t.unit, f" {t.unit}")
    uses = "; ".join(USE_WORDS[u] for u in t.uses) or "every use"
    acted = "" if t.role == "target" else ", shown only"
    return f"{t.low:g} to {t.high:g}{unit} for {uses}{acted} ({STRENGTH_WORDS[t.strength]})".replace("-", "−")


# --- reading what was typed ---


def _read(quantity: str, typed: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, InputError]]:
    read: dict[str, Any] = {}
    errors: dict[str, InputError] = {}
    for field in fields(quantity):
        text = typed.get(field.name, "").strip()
        try:
            if field.kind == "number":
                if not text:
                    raise InputError(field.label, "is missing", allowed=field.allowed)
                read[field.name] = read_number(field, text)
            elif field.kind == "choice":
                read[field.name] = read_choice(field, text)
            else:
                read[field.name] = _text(field.name, text, needed=field.needed)
        except InputError as error:
            errors[field.name] = error
    low, high, about = read.get("low"), read.get("high"), QUANTITIES[quantity]
    if low is not None and high is not None:
        wrong = _ends(low, high, about.unit, about.narrowest)
        if wrong is not None:
            errors["high"] = wrong
    return read, errors


def _ends(low: float, high: float, unit: str, narrowest: float) -> InputError | None:
    """What is wrong with the two ends together."""
    sign = {"deg": "°", "1": ""}.get(unit, f" {unit}")
    if high <= low:
        return InputError(
            WORDS["high"], f"nothing lies in this band: it ends at {high:g}{sign} and begins at {low:g}{sign}",
            allowed=f"above {low:g}{sign}",
        )  # fmt: skip
    if high - low < narrowest - 1e-9:
        return InputError(
            WORDS["high"], f"the band is narrower than anything that can be measured here ({high - low:.3g}{sign})",
            allowed=f"at least {low + narrowest:g}{sign}",
        )  # fmt: skip
    return None


def _text(name: str, text: str, *, needed: bool) -> str:
    clean = " ".join(read_text(Field(name, WORDS[name], "text"), text).split())
    if len(clean) > LONGEST[name] or (needed and not clean):
        raise InputError(WORDS[name], "is too long" if clean else "is missing",
                         allowed=f"1 to {LONGEST[name]} characters")  # fmt: skip
    return clean


def _needed(name: str, text: str) -> str:
    return _text(name, text, needed=True)


def _target(
    quantity: str, read: Mapping[str, Any], typed: Mapping[str, str], known: StudioBand | None
) -> Target:
    """The band that was typed. Numbers of this studio do not keep the name of the paper that had others."""
    about = QUANTITIES[quantity]
    method = (
        {n: read[n] for n in METHODS if n in read}
        if about.joint
        else dict(known.target.method)
        if known
        else {}
    )
    if not about.joint and known is None and not quantity.startswith(SETTING):
        method = {"state": "dynamic"}
    uses = tuple(u for u in USES if typed.get(f"use.{u}") == "yes")
    wanted = Target(
        quantity, read["label"] or about.label, read["low"], read["high"], about.unit, read["source"],
        read["strength"], method, () if len(uses) == len(USES) else uses, read["role"], read["population"],
        known.ident if known else _free_ident(read["label"] or quantity),
    )  # fmt: skip
    paper = known.published if known else None
    if paper is None:
        return replace(wanted, source=wanted.source or f"this studio: {read['why']}")
    same = (paper.low, paper.high, dict(paper.method)) == (wanted.low, wanted.high, dict(wanted.method))
    if same or wanted.source != paper.source:
        return wanted
    strength = "practice" if wanted.strength in ("study", "review") else wanted.strength
    source = f"this studio: {read['why']} (published {told(paper).removeprefix(f'{paper.label} ')}: {paper.source})"
    population = "" if wanted.population == paper.population else wanted.population  # it was the paper's
    return replace(wanted, source=source, strength=strength, population=population)


def _wrong(wanted: Target) -> dict[str, InputError]:
    """What is wrong with a band that can be read: no part serves it, another speaks for it, another excludes it."""
    if wanted.role == "target" and not _served(wanted.key):
        return {"role": InputError(
            WORDS["role"], "nothing that can be turned is known to serve it",
            hint=f"Choose “{ROLE_WORDS['describe']}”",
        )}  # fmt: skip
    others = [t for t in targets() if t.ident != wanted.ident]
    for clash in clashes([*others, wanted]):
        if wanted in (clash.one, clash.other):
            said = ", ".join(USE_WORDS[u] for u in clash.uses)
            return {"low": InputError("Band", f"two bands exclude each other for {said}: {clash.words}",
                                      hint="Change the other one, put it away, or let this one count for other "
                                      "uses")}  # fmt: skip
    for other in others:
        alike = other.key == wanted.key and dict(other.method) == dict(wanted.method)
        if alike and other.role == wanted.role and (uses := shared_uses(other, wanted)):
            said = ", ".join(USE_WORDS[u] for u in uses)
            return {"uses": InputError(
                WORDS["uses"], f"“{told(other)}” speaks for {said} already",
                hint="Change that band, or let this one count for other uses",
            )}  # fmt: skip
    return {}


def _served(key: str) -> bool:
    return key.rsplit(".", 1)[0] in (*SERVES, "float_margin_deg")


# --- writing ---


def _band(row: Band | None, published: Target | None) -> StudioBand:
    if row is not None:
        return StudioBand(Target.from_json(row.data), published, row)
    assert published is not None, "a band is published, or a row says it"
    return StudioBand(published, published)


def _again(wanted: Target, why: str, who: str) -> StudioBand:
    """Write a state that was there before, when it still agrees with the others."""
    errors = _wrong(wanted)
    if errors:
        raise next(iter(errors.values()))
    return _write(wanted, _needed("why", why), _needed("who", who))


def _write(wanted: Target, why: str, who: str, *, retired: bool = False) -> StudioBand:
    with transaction.atomic():
        old = Band.objects.current().filter(key=wanted.ident).last()
        row = Band.objects.create(
            key=wanted.ident, data=wanted.to_json(), why=why, author=who, retired=retired, replaces=old
        )
    return StudioBand(wanted, PUBLISHED.get(wanted.ident), row)


def _free_ident(label: str) -> str:
    stem = "own_" + (re.sub(r"[^a-z0-9]+", "_", label.casefold()).strip("_")[:40] or "band")
    taken = set(PUBLISHED) | set(Band.objects.values_list("key", flat=True))
    return next(k for n in range(1, 10_000) if (k := stem if n == 1 else f"{stem}_{n}") not in taken)


assert set(STRENGTH_WORDS) == set(STRENGTHS), "each strength has its words"
assert set(ROLE_WORDS) == set(ROLES), "each role has its words"
