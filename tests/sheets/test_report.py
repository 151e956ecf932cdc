"""The before/after report and what it may claim."""

from dataclasses import replace

import pytest

from fitwright.plan.types import Finding, PlannedChange, Target
from fitwright.quantity import Measured
from fitwright.sheets.curve import Chart, CurveLine
from fitwright.sheets.front_drawing import FrontFigure
from fitwright.sheets.report import ChangeLine, FeltLine, Outcome, VisitReport, report_pdf


def _deg(value, u):
    return Measured(value, u, "deg", "film")


def test_a_difference_below_the_mdc_is_not_distinguishable():
    """With equal u the rule is MDC95 = 1.96 √2 SEM (Weir 2005, from memory): here 2.77 for u = 1."""
    assert Outcome("Knee", "left", _deg(30, 1), _deg(32.7, 1)).verdict() == "not distinguishable from before"
    assert Outcome("Knee", "left", _deg(30, 1), _deg(32.8, 1)).verdict() == "changed by 2.8 ± 2.8°"


def test_predicted_against_measured():
    near = Outcome("Knee", "left", _deg(29, 0.5), _deg(35, 0.5), _deg(34.5, 0.7))
    far = replace(near, predicted=_deg(31, 0.7))
    assert near.verdict().endswith("as predicted")
    assert "not" not in near.verdict()
    assert far.verdict().endswith("not as predicted")
    assert Outcome("Knee", "left", _deg(29, 0.5)).verdict() == "not measured again yet"
    assert Outcome("Knee", "left").values() == "not measured"


def test_a_change_names_its_finding_and_source():
    target = Target(
        "knee_flexion_deg.min", "Knee flexion, least", 33, 43, "deg", "Holmes 1994", "opinion", {}
    )
    finding = Finding(target, "right", _deg(28, 0.6), "low", 0.0)
    change = PlannedChange(
        "saddle_height_mm", "", 712, 705, "mm", "Lower the saddle by 7 mm.", (finding.id,), ()
    )
    line = ChangeLine.of(change, (finding,))
    assert line.step == "712 mm → 705 mm: −7 mm"
    assert line.why == "knee flexion, least right: 28.0 ± 1.2°, target 33 to 43°"
    assert line.source == "Holmes 1994"


@pytest.fixture
def report(rider, sole, knee_curve) -> VisitReport:
    lines = (CurveLine(knee_curve(), "right"), CurveLine(knee_curve(-6), "right", "before"))
    return VisitReport(
        "Studio Lindenhof", "Ilse Varga", "25 November 2026", True, "gravel bike", "Tight left knee on climbs.",
        (ChangeLine("Lower the saddle by 7 mm.", "712 mm → 705 mm: −7 mm", "knee flexion", "Holmes 1994"),),
        (Outcome("Knee flexion, least", "left", _deg(29.2, 0.6), _deg(35.1, 0.55), _deg(34.6, 0.7), (33, 43)),
         Outcome("Trunk to horizontal", "both", _deg(44, 1), _deg(44.9, 1))),
        (Chart("Knee flexion", lines),), rider, FrontFigure({"left": knee_curve(-70, "knee_path", "mm")}),
        (sole("left"), sole("right")), ("Left hip tighter; look again.",), "In six weeks.", "A note.",
        felt=(FeltLine("Knee, left", "left", (6, None, 3), "less by 3: a change that matters to most people"),),
    )  # fmt: skip


def test_everything_is_said(opened, report, paper):
    document = opened(report_pdf(report, paper))
    text = " ".join(" ".join(page.get_text() for page in document).split())
    for words in (
        "Lower the saddle by 7 mm.", "Holmes 1994", "29.2 ± 1.2° → 35.1 ± 1.1°, predicted 34.6 ± 1.4°",
        "as predicted",
        "not distinguishable from before", "Trunk to horizontal: 44.0 ± 2.0° → 44.9 ± 2.0°", "In six weeks.",
        "A note.",
        "Left hip tighter; look again.",
        "How it feels", "6 → – → 3 of 10", "a change that matters to most people",
        "ISO 4210", "simulated", f"1 of {len(document)}", "180° bottom",
    ):  # fmt: skip
        assert words in text, words


def test_empty_and_overfull(opened, report, hostile):
    text = " ".join(opened(report_pdf(VisitReport("", "", "")))[0].get_text().split())
    assert "nothing was changed" in text
    assert "nothing was measured twice yet" in text
    crowded = replace(report, rider=hostile * 30, notes=(hostile * 300)[:10_000], changes=report.changes * 20,
                      outcomes=report.outcomes * 2, charts=report.charts * 7, summary="s" * 3000)  # fmt: skip
    document = opened(report_pdf(crowded, "us-letter"))
    everything = "".join(page.get_text() for page in document).replace("\u200b", "")
    assert "#let x = $1$ *bold*" in " ".join(everything.split())
    assert all(word[2] < page.rect.width for page in document for word in page.get_text("words"))
