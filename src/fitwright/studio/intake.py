"""Intake: what the rider wants, does and feels; what would be a reason to refer instead of to fit."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from django.utils import timezone

from fitwright.errors import InputError
from fitwright.plan import red_flags as flags
from fitwright.records.models import Rider, Visit, Work
from fitwright.studio import typed as bench
from fitwright.studio.entry import Field, Group, Saved, read_choice, read_rating
from fitwright.studio.visits import USES, answers

STATION = "intake"

USE_WORDS = {
    "road": "road, long rides", "racing": "road racing", "time_trial": "time trial", "gravel": "gravel",
    "mountain": "mountain", "town": "town",
}  # fmt: skip
PAIN_SITES = (
    ("neck", "Neck"),
    ("shoulders", "Shoulders"),
    ("lower_back", "Lower back"),
    ("hand_left", "Hand, left"),
    ("hand_right", "Hand, right"),
    ("saddle_region", "Sit bones and groin"),
    ("hip_left", "Hip, left"),
    ("hip_right", "Hip, right"),
    ("knee_left", "Knee, left"),
    ("knee_right", "Knee, right"),
    ("ankle_left", "Ankle or Achilles tendon, left"),
    ("ankle_right", "Ankle or Achilles tendon, right"),
    ("foot_left", "Foot, left"),
    ("foot_right", "Foot, right"),
)
COMFORT_SITES = (("saddle", "On the saddle"), ("hands", "In the hands"), ("feet", "In the shoes"))

TALK = (
    Field("goal", "What should be better after today?", "paragraph", needed=True, hint="in the rider's own words"),
    Field("use", "Mostly ridden as", "choice", choices=tuple((u, USE_WORDS.get(u, u)) for u in USES)),
    Field("hours_per_week", "Hours a week", unit="h", low=0, high=60, needed=True),
    Field("years_riding", "Years of riding", unit="years", low=0, high=90),
    Field(
        "history", "Injuries, operations, what was treated", "paragraph",
        hint="only what the rider wishes to tell",
    ),
    Field("since", "When it began, and what had changed before", "paragraph", hint="shoes, saddle, hours, hills"),
)  # fmt: skip
PAIN = tuple(Field(f"pain.{s}", words, "rating", key="pain", side=s) for s, words in PAIN_SITES)
COMFORT = tuple(Field(f"comfort.{s}", words, "rating", key="comfort", side=s) for s, words in COMFORT_SITES)
COMFORT_ASKED = (
    Field("comfort.overall", "Comfort overall", "rating", key="comfort", side="overall"),
    *COMFORT,
)
CONSENT = (
    Field(
        "consent", "The rider agrees that what is said and measured here is kept in this studio", "tick",
        needed=True, hint="health details, photographs and films included; may be withdrawn at any time",
    ),
)  # fmt: skip


def flag_fields() -> tuple[Field, ...]:
    """One yes/no question per red flag."""
    return tuple(
        Field(f"flag.{q.id}", q.question, "yes_no", choices=(("no", "No"), ("yes", "Yes")), needed=True)
        for q in flags.QUESTIONS
    )


def save_felt(visit: Visit, typed: Mapping[str, str]) -> dict[str, InputError]:
    """What the rider answered elsewhere than at the bench: pain, comfort, reasons to refer. All of it, or what is
    wrong by box ("" for the whole) and then nothing."""
    fields = (*PAIN, *COMFORT_ASKED, *flag_fields())
    answered = {f.name: typed[f.name] for f in fields if typed.get(f.name, "").strip()}
    if not answered:
        return {"": InputError("Answers", "nothing was answered yet")}
    readers = {"rating": read_rating, "yes_no": read_choice}
    errors: dict[str, InputError] = {}
    for field in fields:
        if field.name in answered:
            try:
                readers[field.kind](field, answered[field.name])
            except InputError as error:
                errors[field.name] = error
    if not errors:
        settle(visit, bench.save(visit, STATION, fields, answered, None).written)
        Work.objects.create(
            visit=visit, kind="phone", title="From a phone: how it feels", state="done", fraction=1.0
        )
    return errors


@dataclass(frozen=True)
class IntakePage:
    """The Intake station. `referral` is the advice when a red flag was answered with yes, else ""."""

    groups: tuple[Group, ...]
    referral: str
    reasons: tuple[str, ...]
    pains: tuple[tuple[str, int], ...]
    unanswered: int


def save_intake(visit: Visit, typed: Mapping[str, str], version: int | None = None) -> Saved:
    """Write what was said; the use also goes to the visit, consent also to the rider.

    `none_applies`: every question of the red flags was asked and none applies, so those without an answer are a no.
    """
    if typed.get("none_applies") == "yes":
        said = answers(visit, STATION)
        typed = {f.name: "no" for f in flag_fields() if not said.get(f.name)} | dict(typed)
    fields = TALK + PAIN + COMFORT + flag_fields() + CONSENT
    saved = bench.save(visit, STATION, fields, typed, version)
    settle(visit, saved.written)
    return saved


def settle(visit: Visit, changed: Collection[str]) -> None:
    """Carry the use on to the visit and consent to the rider, where they were changed."""
    said = answers(visit, STATION)
    if "use" in changed and said.get("use"):
        Visit.objects.filter(pk=visit.pk).update(use=said["use"])
        visit.use = said["use"]
    if "consent" in changed:
        given = timezone.now() if said.get("consent") else None
        Rider.objects.filter(pk=visit.rider_id).update(consent_at=given)


def red_flags(visit: Visit) -> dict[str, bool]:
    """The answered red-flag questions, by id."""
    said = answers(visit, STATION)
    return {q.id: said[f"flag.{q.id}"] == "yes" for q in flags.QUESTIONS if said.get(f"flag.{q.id}")}


def referral(visit: Visit) -> str:
    """The referral text when any red flag was answered with yes, else ""."""
    return flags.referral(red_flags(visit))


def page(visit: Visit) -> IntakePage:
    """What the Intake page shows."""
    record = bench.OnRecord.of(visit, STATION)
    if "use" not in record.answers:
        record = bench.OnRecord({**record.answers, "use": visit.use}, record.measurements, record.ratings)
    questions = flag_fields()
    given = red_flags(visit)
    groups = (
        Group("The rider says", bench.entries(TALK, record)),
        Group(
            "Reasons to refer", bench.entries(questions, record), layout="questions",
            note="Ask all of them. A yes stops the advice, not the measuring.",
        ),
        Group(
            "Pain on the bike", bench.entries(PAIN, record), layout="rulers",
            note="0 is none, 10 the worst the rider can think of. Leave out what was not asked.",
        ),
        Group(
            "Comfort", bench.entries(COMFORT, record), layout="rulers",
            note="0 is unbearable, 10 forgotten after a minute.",
        ),
        Group("Consent", bench.entries(CONSENT, record)),
    )  # fmt: skip
    reasons = tuple(q.reason for q in flags.QUESTIONS if given.get(q.id))
    words = dict(PAIN_SITES)
    pains = sorted(
        ((words[s], v) for (kind, s), v in record.ratings.items() if kind == "pain" and v and s in words),
        key=lambda p: -p[1],
    )
    return IntakePage(groups, referral(visit), reasons, tuple(pains), len(questions) - len(given))


def pain_ratings(visit: Visit) -> dict[str, float]:
    """Pain on arrival by body site, 0–10."""
    return {site: float(value) for (kind, site), value in bench.ratings(visit).items() if kind == "pain"}
