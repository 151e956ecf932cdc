"""The form that a rider fills in on paper: pain and comfort by body site from 0 to 10, and the reasons to refer."""

from __future__ import annotations

from dataclasses import dataclass

from fitwright.sheets import cautions
from fitwright.sheets.ink import cut, shorten
from fitwright.sheets.typeset import Laid, Paper, qr_svg
from fitwright.told import told

PAIN_WORDS = (
    "Pain on the bike in the last week: 0 is none, 10 the worst you can think of. Circle one number each."
)
COMFORT_WORDS = "Comfort on the bike: 0 is unbearable, 10 forgotten after a minute. Circle one number each."
FLAGS_WORDS = (
    "Tick what is true of you now. With any tick please see a doctor or physiotherapist first: we measure, but "
    "advise no change."
)
PRIVATE = "Leave out what you do not wish to tell. This paper belongs to your record in the studio."


@dataclass(frozen=True)
class FeltForm:
    """The form: `pain`, `comfort`, `flags`: words of each line; `last`: words of a line → what was said last time."""

    studio: str
    rider: str
    pain: tuple[str, ...]
    comfort: tuple[str, ...]
    flags: tuple[str, ...]
    last_day: str = ""
    record: str = ""
    qr_text: str = ""
    simulated: bool = False
    own_cautions: tuple[str, ...] = ()


def felt_form(form: FeltForm, paper: Paper = "a4") -> Laid:
    """The form, one page on "a4" or "us-letter". Earlier answers are not printed: they would pull the new ones."""
    kind = told("How it feels")
    foot = (told(PRIVATE), shorten(form.record, 40), told(cautions.SIMULATED) if form.simulated else "")
    data = {
        "title": f"{kind}, {cut(form.rider, 80)}", "studio": cut(form.studio, 50),
        "rider": cut(form.rider, 80), "date": "", "bike": "", "simulated": form.simulated,
        "qr": qr_svg(form.qr_text), "kind": kind, "day": told("day"),
        "since": f"{told('last asked on')} {form.last_day}" if form.last_day else "",
        "scales": [
            {"words": told(w), "rows": [told(r) for r in rows]}
            for w, rows in ((PAIN_WORDS, form.pain), (COMFORT_WORDS, form.comfort))
        ],
        "flags_words": told(FLAGS_WORDS), "flags": [told(f) for f in form.flags],
        "more": told("What changed since then: rides, falls, parts, anything that hurts elsewhere"),
        "cautions": [told(cautions.STOP_AND_REFER), told(cautions.WHAT_IT_IS), *form.own_cautions],
        "foot": " · ".join(w for w in foot if w), "one_page": True,
    }  # fmt: skip
    return Laid("felt_form", data, paper)
