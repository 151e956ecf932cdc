"""Invented examples for stations where nothing has been measured yet: what the page will look like."""

from __future__ import annotations

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.foot.fitting_aid import CleatBody, fitting_aid
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.linkage.twin import LegTwin
from fitwright.quantity import Measured
from fitwright.sheets.aid_drawing import AidFigure, aid_svg
from fitwright.sheets.callouts import Callout
from fitwright.sheets.cleat_card import CardFoot
from fitwright.sheets.drawn import drawn
from fitwright.sheets.rider_drawing import RiderFigure, rider_svg
from fitwright.sheets.sole_drawing import SoleFigure, soles_svg
from fitwright.sheets.strip import Reading, Strip, strip_svg

TITLE = "An invented example"


def sole_example() -> str:
    """Two soles with marks, cleat and axle."""
    mark = np.diag([0.6, 0.6]) ** 2
    pose = np.diag([0.4, 0.15, 0.15]) ** 2
    figures = [
        SoleFigure(
            foot, 281.0, m1=SolePoint(201.0, -38.0, mark), m5=SolePoint(172.0, 44.0, mark),
            cleat=CleatPose(x, z, psi, pose, "example"),
        )
        for foot, x, z, psi in (("left", 190.2, 1.0, 9.0), ("right", 186.4, 2.0, 7.0))
    ]  # fmt: skip
    return drawn(soles_svg, figures, title=TITLE)


def aid_example() -> str:
    """A cleat, where it shall be, and the steps of a hand."""
    sure, body = np.zeros((3, 3)), CleatBody()
    now, to = CleatPose(190.0, 4.0, 2.0, sure, "example"), CleatPose(184.0, 1.0, 7.0, sure, "example")
    figure = AidFigure("left", CardFoot(to, 280.0), body, fitting_aid(now, to, body))
    return drawn(aid_svg, figure, ident="example")


def ride_example() -> str:
    """A rider from the side with three numbers where they belong."""
    leg = LegTwin(405.0, 420.0, 125.0, 105.0, 172.5, -190.2, 751.0, 15.0, (-6.0,), (10.39,))
    contact = ContactPoints(705.0, 200.0, 470.0, 600.0, 172.5, 148.0, 53.0)
    callouts = (
        Callout("knee", "knee flexion, least", (Reading("right", Measured(33.8, 0.6, "deg")),)),
        Callout("saddle_height", "saddle height", (Reading("both", Measured(705.0, 1.0, "mm")),)),
        Callout("axle", "axle, 0 M1 to 1 M5", (Reading("right", Measured(0.46, 0.026, "1")),)),
    )
    return drawn(rider_svg, RiderFigure(leg=leg, contact=contact, callouts=callouts, title=TITLE))


def strip_example() -> str:
    """A value on its band: before, predicted and now."""
    readings = (
        Reading("right", Measured(28.1, 1.2, "deg"), "before"),
        Reading("right", Measured(33.0, 1.6, "deg"), "predicted"),
        Reading("right", Measured(33.8, 1.2, "deg")),
    )
    return drawn(strip_svg, Strip(TITLE, readings, (30.0, 40.0)))
