"""The before/after report: what was changed and why, what it did, and what could not be told apart."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fitwright.inches import MM, lengths_in
from fitwright.plan.types import Finding, PlannedChange
from fitwright.quantity import Z95, Measured, difference, distinguishable
from fitwright.sheets import cautions
from fitwright.sheets.curve import Chart, curve_svg
from fitwright.sheets.drawn import drawn
from fitwright.sheets.front_drawing import FrontFigure, front_svg
from fitwright.sheets.ink import State, cut, shorten
from fitwright.sheets.rider_drawing import RiderFigure, rider_svg
from fitwright.sheets.sole_drawing import SoleFigure, soles_svg
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.sheets.typeset import Laid, Paper, qr_svg
from fitwright.sheets.words import RATING, number, signed, value_words
from fitwright.told import told


@dataclass(frozen=True)
class ChangeLine:
    """One change that was made: the instruction, the step in words, the reason, its source."""

    words: str
    step: str = ""
    why: str = ""
    source: str = ""

    @staticmethod
    def of(change: PlannedChange, findings: Sequence[Finding] = ()) -> ChangeLine:
        """The line of a planned change; its reasons are looked up in the findings by id."""
        step = (
            f"{number(change.before, change.unit)} → {number(change.after, change.unit)}"
            f": {signed(change.delta, change.unit)}"
        )
        reasons = [f for f in findings if f.id in change.why]
        why = "; ".join(
            f"{f.target.label[:1].lower()}{f.target.label[1:]}{'' if f.side == 'both' else ' ' + f.side}:"
            f" {value_words(f.value)},"
            f" target {number(f.target.low)} to {number(f.target.high, f.target.unit)}"
            for f in reasons
        )
        source = "; ".join(dict.fromkeys(f.target.source for f in reasons))
        return ChangeLine(change.words, step, why or ", ".join(change.why), source)


@dataclass(frozen=True)
class Outcome:
    """One quantity of one side before and after, with what was predicted and the band it is compared with.

    change, agrees: the change and its agreement with the prediction where they were judged with what both
    measurements share (stickers that stayed on) taken out; else both follow from the values' own intervals.
    """

    label: str
    side: str
    before: Measured | None = None
    now: Measured | None = None
    predicted: Measured | None = None
    band: tuple[float, float] | None = None
    source: str = ""
    change: Measured | None = None
    agrees: bool | None = None

    def moved(self) -> bool | None:
        """Whether before and now can be told apart; None when one is missing.

        A `change` that was judged on its own (what both measurements share dropped out) decides where it is given.
        """
        if self.change is not None:
            return abs(self.change.value) > Z95 * self.change.u
        return distinguishable(self.now, self.before) if self.now and self.before else None

    def as_predicted(self) -> bool | None:
        """Whether the measured value agrees with the prediction within both intervals; None when one is missing."""
        if self.agrees is not None:
            return self.agrees
        return not distinguishable(self.now, self.predicted) if self.now and self.predicted else None

    def values(self) -> str:
        """`29.2 ± 1.2° → 35.1 ± 1.1°, predicted 34.6 ± 1.4°`."""
        steps = [value_words(m) for m in (self.before, self.now) if m]
        words = " → ".join(steps) or "not measured"
        return words + (f", predicted {value_words(self.predicted)}" if self.predicted else "")

    def verdict(self) -> str:
        """What may be said, in words."""
        if self.now is None:
            return "not measured again yet" if self.before else ""
        said = []
        if self.moved() is False:
            said.append("not distinguishable from before")
        elif self.moved() and self.before:
            change = self.change or difference(self.now, self.before)
            said.append(f"changed by {value_words(change)}")
        if self.as_predicted() is not None:
            said.append("as predicted" if self.as_predicted() else "not as predicted")
        return ", ".join(said)

    def readings(self) -> tuple[Reading, ...]:
        """What the strip shows."""
        states: tuple[tuple[Measured | None, State], ...] = (
            (self.before, "before"), (self.predicted, "predicted"), (self.now, "now"),
        )  # fmt: skip
        return tuple(Reading(self.side, m, state) for m, state in states if m)


@dataclass(frozen=True)
class FeltLine:
    """What the rider said of one place, 0 to 10: on arrival, then after each turn (None: not asked then).

    The verdict compares the first answer with the last.
    """

    words: str
    side: str
    ratings: tuple[int | None, ...]
    verdict: str = ""

    def values(self) -> str:
        """`6 → – → 3 of 10`, up to the last answer."""
        last = max((k for k, r in enumerate(self.ratings) if r is not None), default=0)
        given = " → ".join("–" if r is None else str(r) for r in self.ratings[: last + 1])
        return f"{given} {told(RATING)}"


@dataclass(frozen=True)
class VisitReport:
    """The report; everything but who and when is optional."""

    studio: str
    rider: str
    date: str
    simulated: bool = False
    bike: str = ""
    summary: str = ""
    changes: tuple[ChangeLine, ...] = ()
    outcomes: tuple[Outcome, ...] = ()
    charts: tuple[Chart, ...] = ()
    side: RiderFigure | None = None
    front: FrontFigure | None = None
    soles: tuple[SoleFigure, ...] = ()
    open_points: tuple[str, ...] = ()
    follow_up: str = ""
    notes: str = ""
    cautions: tuple[str, ...] = cautions.ALL
    qr_text: str = ""
    record: str = ""
    felt: tuple[FeltLine, ...] = ()


def report_pdf(report: VisitReport, paper: Paper = "a4") -> bytes:
    """The report as PDF."""
    return report_laid(report, paper).pdf()


def report_laid(report: VisitReport, paper: Paper = "a4") -> Laid:
    """The report; as many pages as it takes."""
    unclear = [
        f"{told(o.label)}{_side(o)}: {told(o.values())}" for o in report.outcomes if o.moved() is False
    ]
    foot = " · ".join(
        w for w in (f"\u2068{cut(report.rider, 40)}\u2069", cut(report.date, 24), shorten(report.record, 30),
                    told("± is the 95 % interval"), told(cautions.SIMULATED) if report.simulated else "") if w
    )  # fmt: skip
    again = any(o.now for o in report.outcomes)
    data = {
        "title": f"{told('Before and after')}, {cut(report.rider, 80)}", "studio": cut(report.studio, 50),
        "rider": cut(report.rider, 80), "date": cut(report.date, 30), "bike": cut(report.bike, 40),
        "simulated": report.simulated, "qr": qr_svg(report.qr_text), "summary": report.summary,
        "changes": [
            {"words": told(c.words), "step": told(c.step),
             "why": shorten(c.why, 300), "source": shorten(c.source, 240)}
            for c in report.changes
        ],
        "outcomes": _outcomes(report.outcomes, again), "again": again,
        "felt": [
            {"side": f.side, "words": told(f.words), "values": told(f.values()), "verdict": told(f.verdict)}
            for f in report.felt
        ],
        "charts": [
            {"svg": _drawn(curve_svg, c, "paper", 400, 230), "alt": told(f"{c.label} by crank angle")}
            for c in report.charts
        ],
        "drawings": _drawings(report), "unclear": unclear, "open": [told(w) for w in report.open_points],
        "follow_up": report.follow_up, "notes": report.notes,
        "cautions": cautions.told_all(report.cautions), "foot": foot,
    }  # fmt: skip
    return Laid("report", data, paper)


def _side(o: Outcome) -> str:
    return "" if o.side == "both" else f", {told(o.side)}"


def _outcomes(outcomes: Sequence[Outcome], again: bool) -> list[dict[str, object]]:
    """One block for each quantity, its sides on one strip; verdicts only where anything was measured again."""
    blocks: list[dict[str, object]] = []
    for label in dict.fromkeys(o.label for o in outcomes):
        here = [o for o in outcomes if o.label == label]
        readings = tuple(r for o in here for r in o.readings())
        unit = readings[0].value.unit if readings else "deg"
        strip = Strip(label, readings, next((o.band for o in here if o.band), None), unit)
        blocks.append({
            "label": shorten(label, 80), "strip": _drawn(strip_svg, strip, "paper", 330),
            "alt": told(f"{label}: {strip.words()}"),
            "source": shorten(next((o.source for o in here if o.source), ""), 240),
            "sides": [
                {"side": o.side, "values": told(o.values()), "verdict": told(o.verdict()) if again else ""}
                for o in here
            ],
        })  # fmt: skip
    return blocks


@lengths_in(MM)  # inches stand beside the drawings
def _drawn(draw: Callable[..., str], *given: object, **named: object) -> str:
    return drawn(draw, *given, **named)


def _drawings(report: VisitReport) -> list[dict[str, str]]:
    shown = []
    if report.side:
        shown.append((_drawn(rider_svg, report.side, "paper", 700, 500), report.side.title))
    if report.front:
        shown.append((_drawn(front_svg, report.front, "paper", 540, 460), report.front.title))
    if report.soles:
        shown.append((_drawn(soles_svg, report.soles, "paper", width=400, height=430), "Both soles in plan"))
    return [{"svg": svg, "alt": told(words)} for svg, words in shown]
