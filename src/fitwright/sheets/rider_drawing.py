"""The rider from the side: leg, bike and the numbers where they are measured."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.linkage.leg import LegPose, solve
from fitwright.linkage.twin import LegTwin
from fitwright.motion.ride import THETA_DEG, CycleCurve
from fitwright.quantity import Floats
from fitwright.sheets import side_shapes
from fitwright.sheets.callouts import Callout, draw_callouts, gutter_widths
from fitwright.sheets.dimensions import Map, bike_dimensions, trunk_arc
from fitwright.sheets.ink import BOLD, DASH_PREDICTED, HAIRLINE, LINE, SMALL, THIN, XY, Pen, Theme, text_width

GUTTER = {
    "trunk": "left", "saddle_height": "left", "saddle_setback": "left", "hip": "left", "saddle_tilt": "left",
    "head": "left",
}  # fmt: skip
DOTTED = "1 4"


@dataclass(frozen=True)
class RiderFigure:
    """What is known of the rider from the side; everything is optional.

    Attributes:
        leg: the twin now. before: the twin before a change (thin, hollow). contact: contact points now.
        predicted: the twin as a change would make it (dashed), and saddle_predicted_mm where the saddle would be.
        side: "right" (faces right) or "left" (faces left).
        curves: "hip_x", "hip_y", "knee_x", "knee_y", "ankle_x", "ankle_y" (mm, bike frame) draw the leg when there
            is no twin; the pedal then needs `contact` for its crank, or "axle_x", "axle_y".
        shoulder_mm, elbow_mm, hand_mm: (X, Y) of acromion, elbow, wrist, mean over the turn, or None. Without a
            shoulder the upper body is a dotted figure and the drawing says so.
        theta_deg: crank angle shown, or None for the one with the straightest knee.
        guessed: the leg is a first guess from the rider's measures: dotted, and the drawing says so.
        callouts: see `Callout`; anchors are knee, hip, ankle, axle, trunk, shoulder, elbow, hand, saddle_height,
            saddle_setback, saddle_tilt, hood_x, hood_y, crank.
    """

    leg: LegTwin | None = None
    before: LegTwin | None = None
    predicted: LegTwin | None = None
    saddle_predicted_mm: XY | None = None
    contact: ContactPoints | None = None
    side: str = "right"
    curves: Mapping[str, CycleCurve] = field(default_factory=dict)
    shoulder_mm: XY | None = None
    elbow_mm: XY | None = None
    hand_mm: XY | None = None
    theta_deg: float | None = None
    guessed: bool = False
    callouts: tuple[Callout, ...] = ()
    title: str = "Rider from the side"


@dataclass(frozen=True)
class Turn:
    """The leg over the turn: (n, 2) points at each crank angle (n,), deg, and the flexion (n,) deg."""

    theta_deg: Floats
    hip: Floats
    knee: Floats
    ankle: Floats
    axle: Floats
    flexion_deg: Floats
    pitch_deg: Floats
    lever: tuple[float, float]

    def nearest(self, theta_deg: float) -> int:
        """Index of the bin nearest to a crank angle."""
        return int(np.argmin(np.abs((self.theta_deg - theta_deg + 180) % 360 - 180)))


def rider_svg(
    figure: RiderFigure, theme: Theme = "page", width: float = 760.0, height: float = 560.0, ident: str = ""
) -> str:
    """The side elevation as SVG."""
    turn, before = _turn(figure.leg) or _turn_of_curves(figure), _turn(figure.before)
    now = None if turn is None else turn.nearest(_shown_angle(figure, turn))
    swap = {"left": "right", "right": "left"} if figure.side == "left" else {}
    sides = {c.at: swap.get(g, g) for c in figure.callouts for g in [GUTTER.get(c.at, "right")]}
    gutters = gutter_widths(figure.callouts, sides, 16.0)
    place, height = _mapping(figure, width, height, gutters)
    pen = Pen(width, height, figure.title, _describe(figure, turn, now), theme, ident)
    bike = side_shapes.bicycle(figure.contact) if figure.contact else None
    _ground(pen, place, figure)
    if turn is not None and now is not None:
        _far_leg(pen, place, turn, now)
    if bike:
        _bike(pen, place, bike)
    if turn is not None and now is not None:
        for shape in _flesh(turn, now)[:2]:
            pen.path(_many(place, shape), fill=pen.ink.wash, close=True)
        _ghosts(pen, place, turn)
        _upper_body(pen, place, figure, turn, now)
        _leg(pen, place, turn, now, figure.guessed)
        if before is not None:
            _leg_before(pen, place, before)
        _predicted(pen, place, figure, now)
    elif bike is None:
        pen.text((width / 2, height / 2), "nothing measured yet", 14, pen.ink.soft, "middle")
    anchors = _anchors(pen, place, figure, turn, now, bike)
    draw_callouts(
        pen, figure.callouts, anchors, sides, (gutters[0] - 14, width - gutters[1] + 14), 26.0, height - 4.0
    )
    _caption(pen, figure, turn, now)
    return pen.svg()


def _turn(leg: LegTwin | None) -> Turn | None:
    """The twin solved over the turn; None when there is none or when it cannot turn the crank."""
    if leg is None:
        return None
    try:
        pose: LegPose = solve(leg)
    except InputError:
        return None
    xy = {n: np.column_stack([getattr(pose, n + "_x"), getattr(pose, n + "_y")])
          for n in ("hip", "knee", "malleolus", "axle")}  # fmt: skip
    return Turn(
        THETA_DEG, xy["hip"], xy["knee"], xy["malleolus"], xy["axle"], np.asarray(pose.knee_flexion_deg),
        np.asarray(pose.pitch_deg), (leg.axle_to_malleolus_x_mm, leg.axle_to_malleolus_y_mm),
    )  # fmt: skip


def _turn_of_curves(figure: RiderFigure) -> Turn | None:
    """The leg from measured curves, for a ride that has no twin yet."""
    names = [f"{p}_{a}" for p in ("hip", "knee", "ankle") for a in "xy"]
    measured_axle = all(f"axle_{a}" in figure.curves for a in "xy")
    if not (figure.contact or measured_axle) or any(n not in figure.curves for n in names):
        return None
    hip, knee, ankle = (
        np.column_stack([figure.curves[f"{p}_{a}"].mean for a in "xy"]) for p in ("hip", "knee", "ankle")
    )
    theta = np.deg2rad(THETA_DEG)
    if figure.contact:
        axle = figure.contact.crank_mm * np.column_stack([np.sin(theta), np.cos(theta)])
    else:
        axle = np.column_stack([figure.curves[f"axle_{a}"].mean for a in "xy"])
    thigh, shank = knee - hip, ankle - knee
    cosine = np.sum(thigh * shank, axis=1) / (np.hypot(*thigh.T) * np.hypot(*shank.T))
    flexion = np.rad2deg(np.arccos(np.clip(cosine, -1, 1)))
    pitch = figure.curves["sole_pitch"].mean if "sole_pitch" in figure.curves else np.full(360, np.nan)
    lever = axle - ankle
    beta = np.deg2rad(np.nan_to_num(pitch, nan=15.0))
    back = np.nanmean(lever[:, 0] * np.cos(beta) - lever[:, 1] * np.sin(beta))
    up = -np.nanmean(lever[:, 0] * np.sin(beta) + lever[:, 1] * np.cos(beta))
    if not np.isfinite(flexion).all():
        return None
    return Turn(THETA_DEG, hip, knee, ankle, axle, flexion, np.rad2deg(beta), (float(back), float(up)))


def _shown_angle(figure: RiderFigure, turn: Turn) -> float:
    return (
        figure.theta_deg
        if figure.theta_deg is not None
        else float(turn.theta_deg[np.argmin(turn.flexion_deg)])
    )


def _mapping(
    figure: RiderFigure, width: float, height: float, gutters: tuple[float, float]
) -> tuple[Map, float]:
    """mm in the bike frame → user units, the whole rider between the gutters; and the height that this takes."""
    top = 1400.0 if figure.shoulder_mm is None else max(1150.0, figure.shoulder_mm[1] + 262)
    floor = 84.0 if _has_floor_dimension(figure) else 10.0
    room = width - sum(gutters)
    low, high = -760.0, 1000.0
    tall = top - side_shapes.GROUND_Y_MM + floor
    scale = min((height - 48) / tall, room / (high - low))
    height = tall * scale + 48
    flip = -1.0 if figure.side == "left" else 1.0
    centre = gutters[0] + room / 2
    base = height - 26 + (side_shapes.GROUND_Y_MM - floor) * scale
    return lambda p: (centre + flip * (p[0] - (low + high) / 2) * scale, base - p[1] * scale), height


def _has_floor_dimension(figure: RiderFigure) -> bool:
    return any(c.at in ("saddle_setback", "hood_x") for c in figure.callouts)


def _many(place: Map, points: Floats) -> list[XY]:
    return [place((float(x), float(y))) for x, y in points]


def _ground(pen: Pen, place: Map, figure: RiderFigure) -> None:
    y = side_shapes.GROUND_Y_MM
    pen.line(place((-760, y)), place((980, y)), pen.ink.hair, THIN)


def _bike(pen: Pen, place: Map, bike: side_shapes.Bicycle) -> None:
    """Wheels and tubes in thin soft ink, saddle and bar a little stronger: those are touched."""
    unit = abs(place((1.0, 0.0))[0] - place((0.0, 0.0))[0])
    for hub in (bike.rear, bike.front):
        pen.circle(place(hub), side_shapes.WHEEL_MM * unit, pen.ink.soft, width=0.9)
        pen.circle(place(hub), (side_shapes.WHEEL_MM - 26) * unit, pen.ink.hair, width=0.7)
        pen.circle(place(hub), 2.4, pen.ink.soft, pen.ink.paper)
    for a, b in bike.tubes():
        pen.line(place(a), place(b), pen.ink.soft, THIN)
    pen.circle(place((0, 0)), 92 * unit, pen.ink.hair, width=0.8)
    pen.path(_many(place, bike.bar()), pen.ink.ink, LINE)
    pen.path(_many(place, bike.saddle_outline()), pen.ink.ink, 1.3, fill=pen.ink.paper, close=True)


def _far_leg(pen: Pen, place: Map, turn: Turn, now: int) -> None:
    """The other leg, half a turn on, only as a pale line (drawn with this leg's lengths)."""
    k = turn.nearest(float(turn.theta_deg[now]) + 180)
    bones = [_xy(p, k) for p in (turn.hip, turn.knee, turn.ankle)]
    pen.path([place(p) for p in bones], pen.ink.hair, LINE)
    pen.path(_many(place, _flesh(turn, k)[2]), pen.ink.hair, 0.9, close=True)
    pen.line(place((0, 0)), place(_xy(turn.axle, k)), pen.ink.hair, LINE)


def _flesh(turn: Turn, k: int) -> list[Floats]:
    hip, knee, ankle, axle = (_xy(p, k) for p in (turn.hip, turn.knee, turn.ankle, turn.axle))
    return [
        side_shapes.limb(hip, knee, 84, 50), side_shapes.limb(knee, ankle, 50, 34, 12),
        side_shapes.shoe(axle, *turn.lever, float(turn.pitch_deg[k])),
    ]  # fmt: skip


def _xy(points: Floats, k: int) -> XY:
    return float(points[k, 0]), float(points[k, 1])


def _ghosts(pen: Pen, place: Map, turn: Turn) -> None:
    """Paths of knee, ankle and axle over the turn, a dot every 30°."""
    for path in (turn.knee, turn.ankle, turn.axle):
        pen.path(_many(place, path[::6]), pen.ink.hair, THIN, close=True)
    for k in range(0, 360, 30):
        for path in (turn.knee, turn.ankle):
            pen.circle(place(_xy(path, k)), 1.5, "none", pen.ink.hair)


def _leg(pen: Pen, place: Map, turn: Turn, now: int, guessed: bool) -> None:
    """The near leg: shoe and bones in ink, the knee's bend as an arc from the thigh's prolongation; dotted when
    it is a guess."""
    hip, knee, ankle, axle = (_xy(p, now) for p in (turn.hip, turn.knee, turn.ankle, turn.axle))
    shoe, crank = _many(place, _flesh(turn, now)[2]), (place((0, 0)), place(axle))
    bones = [place(hip), place(knee), place(ankle), place(axle)]
    if guessed:
        pen.path(shoe, pen.ink.soft, THIN, fill=pen.ink.paper, close=True, dash=DOTTED)
        pen.line(*crank, pen.ink.ink, BOLD)
        pen.path(bones, pen.ink.soft, LINE, dash=DOTTED)
        return
    pen.path(shoe, pen.ink.ink, 1.2, fill=pen.ink.paper, close=True)
    pen.line(*crank, pen.ink.ink, BOLD)
    _bend(pen, place, hip, knee, ankle)
    pen.path(bones, pen.ink.ink, BOLD)
    for joint in (hip, knee, ankle):
        pen.circle(place(joint), 3.6, pen.ink.ink, pen.ink.paper, 1.4)
    pen.circle(place(axle), 3.4, pen.ink.ink, pen.ink.ink)
    pen.circle(place((0, 0)), 3.0, pen.ink.ink, pen.ink.paper, 1.2)


def _bend(pen: Pen, place: Map, hip: XY, knee: XY, ankle: XY) -> None:
    """The flexion as a drawn angle."""
    a = math.atan2(knee[1] - hip[1], knee[0] - hip[0])
    b = math.atan2(ankle[1] - knee[1], ankle[0] - knee[0])
    reach, r = 190.0, 150.0
    pen.line(place(knee), place((knee[0] + reach * math.cos(a), knee[1] + reach * math.sin(a))),
             pen.ink.soft, HAIRLINE, "4 3")  # fmt: skip
    pen.path([place((knee[0] + r * math.cos(t), knee[1] + r * math.sin(t))) for t in np.linspace(a, b, 12)],
             pen.ink.soft, HAIRLINE)  # fmt: skip


def _leg_before(pen: Pen, place: Map, turn: Turn) -> None:
    """The leg before the change at its own straightest knee: thin, joints hollow."""
    k = int(np.argmin(turn.flexion_deg))
    points = [place(_xy(p, k)) for p in (turn.hip, turn.knee, turn.ankle, turn.axle)]
    with pen.group(f"before: knee flexion {turn.flexion_deg[k]:.1f}°"):
        pen.path(points, pen.ink.soft, THIN)
        for p in points[:3]:
            pen.circle(p, 2.6, pen.ink.soft, pen.ink.paper, 1.0)


def _predicted(pen: Pen, place: Map, figure: RiderFigure, k: int) -> None:
    """What a change would do, dashed: the leg at the same crank angle, and the saddle's place."""
    turn = _turn(figure.predicted)
    if turn is not None:
        points = [place(_xy(p, k)) for p in (turn.hip, turn.knee, turn.ankle, turn.axle)]
        with pen.group(f"predicted: knee flexion {turn.flexion_deg[k]:.1f}°"):
            pen.path(points, pen.ink.ink, LINE, dash=DASH_PREDICTED)
    if figure.saddle_predicted_mm is not None:
        x, y = place(figure.saddle_predicted_mm)
        pen.line((x - 26, y), (x + 26, y), pen.ink.ink, LINE, DASH_PREDICTED)


def _upper_body(pen: Pen, place: Map, figure: RiderFigure, turn: Turn, now: int) -> None:
    """Trunk, arm and head in ink when the shoulder was measured, else dotted for orientation."""
    hip = _xy(turn.hip, now)
    hand = figure.hand_mm or _hand(figure)
    if hand is None and figure.shoulder_mm is None:
        return
    shoulder = figure.shoulder_mm or _drawn_shoulder(hip, hand)
    hand = hand or (shoulder[0] + 330, shoulder[1] - 430)
    elbow = figure.elbow_mm or _drawn_elbow(shoulder, hand)
    for shape in (
        side_shapes.limb(hip, shoulder, 104, 82, 16), side_shapes.limb(shoulder, elbow, 46, 36),
        side_shapes.limb(elbow, hand, 35, 24),
    ):  # fmt: skip
        pen.path(_many(place, shape), fill=pen.ink.wash, close=True)
    _head(pen, place, hip, shoulder)
    known = figure.shoulder_mm is not None
    color, width, dash = (pen.ink.ink, BOLD, "") if known else (pen.ink.soft, THIN, DOTTED)
    pen.line(place(hip), place(shoulder), color, width, dash)
    arm_known = known and figure.elbow_mm is not None
    pen.path([place(shoulder), place(elbow), place(hand)], pen.ink.ink if arm_known else pen.ink.soft,
             BOLD if arm_known else THIN, dash="" if arm_known else DOTTED)  # fmt: skip
    for joint, sure in ((shoulder, known), (elbow, arm_known), (hand, arm_known)):
        if sure:
            pen.circle(place(joint), 3.6, pen.ink.ink, pen.ink.paper, 1.4)


def _hand(figure: RiderFigure) -> XY | None:
    c = figure.contact
    return None if c is None else (c.hood_x_mm - 8, c.hood_y_mm + 24)


def _drawn_shoulder(hip: XY, hand: XY | None) -> XY:
    """A plausible shoulder when none was measured: trunk at 45°, as far as an arm allows."""
    x, y = hip[0] + 400, hip[1] + 400
    if hand and math.hypot(x - hand[0], y - hand[1]) > 620:
        x, y = hip[0] + 440, hip[1] + 350
    return x, y


def _drawn_elbow(shoulder: XY, hand: XY) -> XY:
    """An elbow a little below the line from shoulder to hand."""
    dx, dy = hand[0] - shoulder[0], hand[1] - shoulder[1]
    return shoulder[0] + 0.52 * dx + 0.07 * dy, shoulder[1] + 0.52 * dy - 0.07 * dx


def _head(pen: Pen, place: Map, hip: XY, shoulder: XY) -> None:
    """Neck and head ahead of the shoulder, looking down the road."""
    along = math.atan2(shoulder[1] - hip[1], shoulder[0] - hip[0])
    neck = along + math.radians(14)
    c = (shoulder[0] + 188 * math.cos(neck), shoulder[1] + 188 * math.sin(neck))
    pen.path(_many(place, side_shapes.limb(shoulder, c, 52, 46)), fill=pen.ink.wash, close=True)
    tilt = np.linspace(0, 2 * math.pi, 40, endpoint=False)
    skull = np.column_stack([
        c[0] + 22 + 90 * np.cos(tilt) + 14 * np.sin(tilt), c[1] + 10 + 108 * np.sin(tilt) - 10 * np.cos(tilt),
    ])  # fmt: skip
    pen.path(_many(place, skull), pen.ink.ink, 1.3, fill=pen.ink.wash, close=True)


def _anchors(
    pen: Pen, place: Map, figure: RiderFigure, turn: Turn | None, now: int | None,
    bike: side_shapes.Bicycle | None,
) -> dict[str, XY]:  # fmt: skip
    """Where each callout may point; dimension lines are drawn on the way, only for callouts that are there."""
    wanted = {c.at for c in figure.callouts}
    anchors: dict[str, XY] = {}
    if turn is not None and now is not None:
        hip = _xy(turn.hip, now)
        anchors |= {n: place(_xy(getattr(turn, n), now)) for n in ("hip", "knee", "ankle", "axle")}
        if figure.shoulder_mm:
            anchors["shoulder"] = place(figure.shoulder_mm)
            if "trunk" in wanted:
                anchors["trunk"] = trunk_arc(pen, place, hip, figure.shoulder_mm)
    for name, point in (("elbow", figure.elbow_mm), ("hand", figure.hand_mm)):
        if point:
            anchors[name] = place(point)
    if bike:
        anchors |= bike_dimensions(pen, place, bike, wanted)
    return anchors


def _caption(pen: Pen, figure: RiderFigure, turn: Turn | None, now: int | None) -> None:
    if turn is None or now is None:
        return
    words = f"from the {figure.side} side, crank at {turn.theta_deg[now]:.0f}°"
    low = (4.0, pen.height - 5)  # on a phone what is more than the view stands below the ground
    if figure.guessed:
        more = "rider guessed from the body’s measures, dotted"
        together = f"{words}; {more}"
        if text_width(together, SMALL) <= pen.width - 8:
            pen.text((4, 14), together, SMALL, pen.ink.soft)
            return
        pen.text((4, 14), words, SMALL, pen.ink.soft)
        pen.text(low, more, SMALL, pen.ink.soft)
        return
    pen.text((4, 14), words, SMALL, pen.ink.soft)
    if figure.shoulder_mm is None and (figure.contact or figure.hand_mm):
        more = "upper body not measured, dotted for orientation"
        if text_width(words, SMALL) + text_width(more, SMALL) <= pen.width - 20:
            pen.text((pen.width - 4, 14), more, SMALL, pen.ink.soft, "end")
        else:
            pen.text(low, more, SMALL, pen.ink.soft)


def _describe(figure: RiderFigure, turn: Turn | None, now: int | None) -> str:
    """The drawing in words."""
    parts = ["Side elevation of the rider on the bike."]
    if turn is not None and now is not None:
        guess = "Leg guessed from the body's measures. " if figure.guessed else ""
        parts.append(
            f"{guess}Crank at {turn.theta_deg[now]:.0f}°, knee flexion {turn.flexion_deg[now]:.1f}°."
        )
    parts += [c.words() + "." for c in figure.callouts]
    return " ".join(parts)
