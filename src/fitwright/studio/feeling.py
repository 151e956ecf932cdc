"""Pain and comfort asked at each step of the plan, and how they went within the visit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from django.db import transaction

from fitwright.errors import InputError
from fitwright.plan.feeling import Moment, Site, advice
from fitwright.records.models import ChangeStep, Rating, Visit
from fitwright.sheets.feeling_drawing import FeelingLine, feeling_svg
from fitwright.studio import doing
from fitwright.studio.entry import Field, read_rating
from fitwright.studio.intake import COMFORT_SITES, PAIN_SITES
from fitwright.studio.typed import MOMENT, ratings
from fitwright.studio.visits import let_go, once

OVERALL: Site = ("comfort", "overall")
WORDS: Mapping[Site, str] = {
    OVERALL: "Comfort overall",
    **{("pain", s): w for s, w in PAIN_SITES},
    **{("comfort", s): w for s, w in COMFORT_SITES},
}
STEP = "step"


@dataclass(frozen=True)
class Feeling:
    """The section of the Plan page.

    Attributes: step: the key of the last turn, 0 before any; after: that turn in words. fields: what is asked, with
    what was said of it already. others: sites that may be added. rows: (words, side, ratings by moment) and
    moments, for the table. advice: what feels worse and what to do. svgs: pain and
        comfort drawn, each with its title.
    """

    step: int
    after: str
    fields: tuple[tuple[Field, str], ...]
    others: tuple[tuple[str, str], ...]
    moments: tuple[str, ...]
    rows: tuple[FeelingLine, ...]
    advice: tuple[str, ...]
    svgs: tuple[tuple[str, str], ...]

    @property
    def asked(self) -> bool:
        """Whether the rider was asked after the last turn."""
        return any(text for _, text in self.fields)


def page(visit: Visit) -> Feeling:
    """What was said at each step, and what to ask now."""
    turns = _turns(visit)
    last = turns[-1][0] if turns else None
    known = _by_moment(visit, bool(turns))
    now = known.get(last.pk if last else 0, {})
    sites = _to_ask(known)
    fields = tuple((_field(s), str(now[s]) if s in now else "") for s in sites)
    others = tuple((s, w) for s, w in PAIN_SITES if ("pain", s) not in sites)
    course = _course(turns, known)
    moments = ("arrived", *(f"step {k}" for k in range(1, len(course)))) if course else ()
    rows = _rows(course, sites)
    return Feeling(
        last.pk if last else 0, turns[-1][1] if turns else "", fields, others, moments, rows,
        advice(course, WORDS) if turns and now else (), _drawn(moments, rows) if len(course) > 1 else (),
    )  # fmt: skip


def lines(visit: Visit) -> tuple[FeelingLine, ...]:
    """What was said of each place, by moment, without the page around it."""
    turns = _turns(visit)
    known = _by_moment(visit, bool(turns))
    return _rows(_course(turns, known), _to_ask(known))


def save(visit: Visit, typed: Mapping[str, str]) -> dict[str, InputError]:
    """Keep what the rider said after the last turn; what cannot be read is told by box, and then nothing is kept.

    Raises:
        InputError: something was turned since the page was shown.
    """
    turns = _turns(visit)
    last = turns[-1][0] if turns else None
    if typed.get("step", "0") != str(last.pk if last else 0):
        raise InputError("step", "something was turned since this page was shown", hint="Ask once more")
    read: dict[Site, int] = {}
    errors: dict[str, InputError] = {}
    for site in WORDS:
        _take(typed.get(f"{site[0]}.{site[1]}", ""), site, f"{site[0]}.{site[1]}", read, errors)
    if typed.get("other.value", "").strip():
        other = ("pain", typed.get("other.site", ""))
        if other in WORDS:
            _take(typed["other.value"], other, "other.value", read, errors)
        else:
            errors["other.site"] = InputError("Another place", "choose where it is")
    if not read and not errors:
        errors[".".join(OVERALL)] = InputError(WORDS[OVERALL], "nothing was said", allowed="0 to 10")
    if not errors:
        _write(visit, last, read)
    return errors


def _rows(course: tuple[Moment, ...], sites: tuple[Site, ...]) -> tuple[FeelingLine, ...]:
    return tuple(
        FeelingLine(WORDS[s], _side(s), tuple(m.ratings.get(s) for m in course))
        for s in (*sites, *(("comfort", c) for c, _ in COMFORT_SITES))
        if any(s in m.ratings for m in course)
    )


def _take(text: str, site: Site, box: str, read: dict[Site, int], errors: dict[str, InputError]) -> None:
    if text.strip():
        try:
            read[site] = read_rating(_field(site), text)
        except InputError as error:
            errors[box] = error


def _write(visit: Visit, step: ChangeStep | None, read: Mapping[Site, int]) -> None:
    let_go(visit)
    about = {"visit": visit, "moment": STEP if step else MOMENT, "step": step}
    with transaction.atomic():
        for (kind, site), value in read.items():
            old = Rating.objects.last_words().filter(**about, kind=kind, site=site).last()
            if old is None or old.value != value or old.withdrawn:
                Rating.objects.create(**about, kind=kind, site=site, value=value, replaces=old)


def _field(site: Site) -> Field:
    return Field(f"{site[0]}.{site[1]}", WORDS[site], "rating")


def _side(site: Site) -> str:
    return next((s for s in ("left", "right") if site[1].endswith(s)), "both")


def _turns(visit: Visit) -> tuple[tuple[ChangeStep, str, str, bool], ...]:
    """Every turn and turning back in this visit, in time: (step, words, adjustable, undone)."""
    found = [
        (s, ("undone: " if s.state == "undone" else "") + c.planned["words"].split(": from ")[0],
         c.planned["adjustable"], s.state == "undone")
        for r in doing.rounds(visit) for c in r.changes for s in c.steps if s.state in ("done", "undone")
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda t: (t[0].created_at, t[0].pk)))


def _by_moment(visit: Visit, turned: bool) -> dict[int, dict[Site, int]]:
    """Key of the step (0: on arrival) → ratings; without any turn only the arrival is looked up."""
    found: dict[int, dict[Site, int]] = {0: dict(ratings(visit))}
    if turned:
        rows = Rating.objects.current().filter(visit=visit, moment=STEP)
        for r in once(visit, "ratings at steps", lambda: list(rows)):
            found.setdefault(r.step_id or 0, {})[r.kind, r.site] = r.value
    return found


def _to_ask(known: Mapping[int, Mapping[Site, int]]) -> tuple[Site, ...]:
    """Comfort overall, and every place that hurt at any time of this visit."""
    hurt = {s for said in known.values() for s, v in said.items() if s[0] == "pain" and v > 0}
    return (OVERALL, *(("pain", s) for s, _ in PAIN_SITES if ("pain", s) in hurt))


def _course(
    turns: tuple[tuple[ChangeStep, str, str, bool], ...], known: Mapping[int, Mapping[Site, int]]
) -> tuple[Moment, ...]:
    """Arrival, then each turn after which the rider was asked."""
    after = [Moment(words, known[s.pk], name, back) for s, words, name, back in turns if s.pk in known]
    return (Moment("on arrival", known[0]), *after)


def _drawn(moments: tuple[str, ...], rows: tuple[FeelingLine, ...]) -> tuple[tuple[str, str], ...]:
    pain = tuple(r for r in rows if r.words in {w for s, w in WORDS.items() if s[0] == "pain"})
    comfort = tuple(r for r in rows if r not in pain)
    titled = (("Pain, 10 is the worst", pain), ("Comfort, 10 is best", comfort))
    return tuple((title, feeling_svg(title, moments, lines)) for title, lines in titled if lines)
