"""The before/after report: gathered from the visit's records, drawn by `sheets`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from django.utils import timezone

from fitwright.plan.felt_change import rating_change
from fitwright.quantity import Measured
from fitwright.records.models import Studio, Visit
from fitwright.sheets.report import ChangeLine, FeltLine, Outcome, VisitReport
from fitwright.sheets.words import number, signed, value_words
from fitwright.studio import care, doing, drawings, feeling, plan
from fitwright.studio.entry import day_words
from fitwright.studio.visits import answers
from fitwright.told import told


def visit_report(visit: Visit) -> VisitReport:
    """Everything the report says about this visit."""
    shown = plan.page(visit)
    data = shown.plan or {}
    studio = Studio.objects.filter(pk=1).first()
    said = answers(visit, "handover")
    opened = timezone.localtime(visit.opened_at)
    return VisitReport(
        studio=studio.name if studio else "", rider=visit.rider.name, date=day_words(opened),
        simulated=visit.simulated, bike=visit.bike.name if visit.bike else "", summary=_summary(visit, data),
        changes=tuple(_change(r, data) for r in (*doing.earlier_changes(visit), *shown.changes)),
        outcomes=_outcomes(visit, shown), felt=_felt(visit),
        charts=drawings.charts(visit), side=drawings.side_figure(visit, links=False),
        front=drawings.front_figure(visit, links=False),
        soles=tuple(f for s in drawings.SIDES if (f := drawings.sole_figure(visit, s, links=False)) is not None),
        open_points=(*data.get("asymmetry", ()), *plan.open_points(data)),
        follow_up=str(said.get("follow_up") or ""), notes=str(said.get("notes") or ""),
        record=f"visit {visit.pk}", cautions=care.all_sentences(),
    )  # fmt: skip


def _summary(visit: Visit, data: Mapping[str, Any]) -> str:
    if data.get("stopped"):
        return told(str(data["stopped"]))
    goal = str(answers(visit, "intake").get("goal") or "").strip()
    count = len(data.get("changes", ()))
    turned = f"{count} change{'s' if count != 1 else ''} planned" if count else "nothing to change"
    return f"“{goal}” · {told(turned)}" if goal else told(turned)


def _change(row: doing.ChangeRow, data: Mapping[str, Any]) -> ChangeLine:
    """One change: a planned one says what to measure after it and when to stop, one that was undone says so."""
    planned = row.planned
    unit = planned["unit"]
    step = f"{number(planned['before'], unit)} → {number(planned['after'], unit)}: {signed(planned['delta'], unit)}"
    reasons = [f for f in data["findings"] if any(w.startswith(f["id"]) for w in planned["why"])]
    why = "; ".join(f"{_label(f)}: {value_words(Measured.from_json(f['value']))}" for f in reasons)
    source = "; ".join(dict.fromkeys(f["source"] for f in reasons))
    if row.state == "planned":
        step += "".join(
            f". {words}: {', '.join(planned[k])}"
            for k, words in (("measure_again", "Measure again"), ("stop_when", "Stop when"))
            if planned.get(k)
        )
    return ChangeLine(planned["words"] + (" (undone)" if row.state == "undone" else ""), step, why, source)


def _felt(visit: Visit) -> tuple[FeltLine, ...]:
    """Pain and comfort from arrival to the last turn that was asked about."""
    kinds = {words: kind for (kind, _), words in feeling.WORDS.items()}
    lines = []
    for row in feeling.lines(visit):
        said = [r for r in row.ratings if r is not None]
        change = rating_change(kinds[row.words], said[0], said[-1]) if len(said) > 1 else None
        lines.append(FeltLine(row.words, row.side, row.ratings, change.words if change else ""))
    return tuple(lines)


def _label(finding: Mapping[str, Any]) -> str:
    side = "" if finding["side"] == "both" else f", {told(str(finding['side']))}"
    label = str(finding["label"])
    return f"{told(label[:1].lower() + label[1:])}{side}"


def _outcomes(visit: Visit, shown: plan.PlanPage) -> tuple[Outcome, ...]:
    """Predicted rows first, then what was measured twice without a prediction."""
    bands = {f["id"]: (tuple(f["band"]), f["source"]) for f in (shown.plan or {}).get("findings", ())}
    rows = []
    for row in (shown.outcome or {}).get("rows", ()):
        before, after = Measured.from_json(row["before"]), Measured.from_json(row["after"])
        change = Measured.from_json(row["predicted"])
        predicted = Measured(before.value + change.value, float(np.hypot(before.u, change.u)), before.unit)
        band, source = bands.get(row["id"], (None, ""))
        rows.append(
            Outcome(
                row["label"], row["id"].split(".")[0], before, after, predicted, band, source,
                change=Measured.from_json(row["measured"]), agrees=row["agrees"],
            )
        )  # fmt: skip
    if rows:
        return tuple(rows)
    for quantity, event, words, _ in (*drawings.SIDE_ROWS, *drawings.FRONT_ROWS):
        found = drawings.values(visit, quantity, event)
        for side in (*drawings.SIDES, "both"):
            if (side, "before") in found:
                key = f"{side}.{quantity}.{event}"
                band, source = bands.get(key, (None, ""))
                now = found.get((side, "after"))
                rows.append(Outcome(words, side, found[side, "before"], now, None, band, source))
    return tuple(rows)
