"""The fitting aid of a visit: from each cleat as measured to its wish, for the page and for paper."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from django.utils import timezone

from fitwright.foot.fitting_aid import Aid, CleatBody, Spot, fitting_aid, imprint_pose, spots
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.records.models import Studio, Visit
from fitwright.sheets.aid_drawing import AidFigure, aid_svg
from fitwright.sheets.cleat_card import CardFoot
from fitwright.sheets.fitting_aid import AidFoot, FittingAid, fitting_aid_pen
from fitwright.sheets.print_scale import PrintScale
from fitwright.sheets.typeset import Paper
from fitwright.studio.entry import day_words
from fitwright.studio.feet.hardware import cleat_shape, system_of
from fitwright.studio.feet.marks import marks_of
from fitwright.studio.feet.setting import start_of, target_of, wished_pose
from fitwright.studio.feet.soles import FEET, reading_of
from fitwright.studio.feet.start_rules import M1_SHARE
from fitwright.studio.visits import once

MOMENT_WORDS = {"after": "as photographed after fitting", "before": "as it came"}


@dataclass(frozen=True)
class FootAid:
    """One foot at the bench; what is not known yet is None or empty.

    `target` where the cleat shall be and `target_words` who says so; `now_words` from which photograph; `aid` from
    now to there, `from_imprint` from the old cleat's imprint; `spots` what a ruler must show; `notes` what was not
    measured; `paper` the same for the printed page.
    """

    side: str
    target: CleatPose | None = None
    target_words: str = ""
    now_words: str = ""
    body: CleatBody | None = None
    aid: Aid | None = None
    from_imprint: Aid | None = None
    spots: tuple[Spot, ...] = ()
    notes: tuple[str, ...] = ()
    paper: AidFoot | None = None

    @property
    def svg(self) -> str:
        """The bench drawing."""
        if self.paper is None or self.body is None:
            return ""
        imprint = self.paper.imprint
        return aid_svg(
            AidFigure(self.side, self.paper.card, self.body, self.aid, imprint), ident=f"aid-{self.side}"
        )


def foot_aid(visit: Visit, side: str) -> FootAid:
    """Everything the hand needs for one cleat."""
    return once(visit, f"aid {side}", lambda: _foot_aid(visit, side))


def _foot_aid(visit: Visit, side: str) -> FootAid:
    target = target_of(visit, side)
    if target is None:
        return FootAid(side)
    planned = wished_pose(visit, side) is not None
    start = None if planned else start_of(visit, side)
    words = "what the plan asks for" if planned else "the first setting"
    if start is not None and (target.x_mm, target.z_mm, target.psi_deg) != _xzp(start.cleat):
        words += ", as far as it can be bolted"
    when = next((w for w in MOMENT_WORDS if (r := reading_of(visit, side, w)) and r.cleat), "")
    reading = reading_of(visit, side, when) if when else reading_of(visit, side, "before")
    system, marks = system_of(visit), marks_of(visit, side)
    body = CleatBody.of(system, reading)
    aid = fitting_aid(reading.cleat, target, body) if reading and reading.cleat else None
    printed = _imprint(visit, side, body)
    outline = np.array(reading.outline_mm) if reading and reading.outline_mm else None
    m1, m5 = (marks.m1, marks.m5) if marks and not marks.from_prior else (None, None)
    where = spots(target, body, reading.length_mm if reading else None, outline, m1, m5)
    notes = tuple(start.priors) if start else ()
    length = reading.length_mm.value if reading else (marks.m1.x_mm / M1_SHARE if marks else 280.0)
    card = CardFoot(
        target, length, outline_mm=outline, m1=m1, m5=m5,
        cleat_outline_mm=cleat_shape(visit),
    )  # fmt: skip
    paper = AidFoot(card, body, aid, printed, where, notes)
    from_imprint = fitting_aid(printed, target, body) if printed else None
    return FootAid(
        side, target, words, MOMENT_WORDS.get(when, ""), body, aid, from_imprint, where, notes, paper
    )


def _xzp(pose: CleatPose) -> tuple[float, float, float]:
    return pose.x_mm, pose.z_mm, pose.psi_deg


def _imprint(visit: Visit, side: str, body: CleatBody) -> CleatPose | None:
    readings: list[SoleReading | None] = [reading_of(visit, side, w) for w in ("after", "before")]
    poses = (imprint_pose(r, body) for r in readings if r is not None)
    return next((p for p in poses if p is not None), None)


def paper_of(visit: Visit, scale: PrintScale | None = None, address: str = "") -> FittingAid:
    """The printed aid of this visit, for the feet that have a wish; `scale`: of the printer that it is for."""
    studio = Studio.objects.filter(pk=1).first()
    day = timezone.localtime(timezone.now())
    feet = {side: one.paper for side in FEET if (one := foot_aid(visit, side)).paper is not None}
    return FittingAid(
        studio.name if studio else "", visit.rider.name, day_words(day),
        {side: foot for side, foot in feet.items() if foot is not None}, visit.simulated, scale, address,
    )  # fmt: skip


def preview(visit: Visit, paper: Paper) -> tuple[str, ...]:
    """The printed pages as SVG: the same drawings that go into the PDF."""
    sheet = paper_of(visit)
    return tuple(fitting_aid_pen(sheet, side, paper).svg() for side in FEET if side in sheet.feet)
