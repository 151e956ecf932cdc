"""The twin fitted to a ride of 30 s: how long that takes, and how near it comes to the simulated leg."""

from __future__ import annotations

import numpy as np

from bench.measurement import Measurement, Row, seconds
from bench.motion import LEG, METHOD, film
from fitwright.bike.contact import ContactPoints
from fitwright.body.measures import BodyMeasures
from fitwright.linkage.calibrate import calibrate
from fitwright.linkage.first_guess import first_guess
from fitwright.linkage.leg import extremes
from fitwright.motion.side import SideSystematic, analyse_side

SECONDS, RATE, RPM, NOISE_MM = 30, 60, 87, 0.5


def fitted() -> list[Row]:
    """From points that were followed for 30 s to the twin."""
    points = film(np.random.default_rng(3), SECONDS, RATE, RPM, NOISE_MM)
    contact = ContactPoints(720, 204.5, 478, 632, LEG.crank_mm, 148, 53)
    guess = first_guess(BodyMeasures(1803, "M", inseam_mm=862, foot_length_right_mm=275), contact)
    ride = analyse_side(points, "right", LEG.crank_mm, SideSystematic(landmark_u_mm={}), METHOD)
    twin = calibrate(ride, "right", guess)
    now, true = extremes(twin.leg), extremes(LEG)
    how = f"simulated: {SECONDS} s at {RATE} frames/s, {NOISE_MM} mm per point and frame"
    return [
        Row("twin fitted to a ride of 30 s", seconds(lambda: calibrate(ride, "right", guess)), "s", "≤ 1", how),
        Row("curves from the points, and the twin",
            seconds(lambda: calibrate(analyse_side(points, "right", LEG.crank_mm, SideSystematic(landmark_u_mm={}),
                                                   METHOD), "right", guess), 3), "s", "≤ 1"),
        Row("shank, off the simulated one", abs(twin.leg.shank_mm - LEG.shank_mm), "mm", "≤ 1"),
        Row("least and greatest knee flexion of the twin, worse of both",
            max(abs(now.low - true.low), abs(now.high - true.high)), "deg", "≤ 0.5"),
    ]  # fmt: skip


MEASUREMENTS = (Measurement("twin", "The twin: fitted to 30 s", fitted),)
