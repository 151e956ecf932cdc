"""Everything that can be found in a sole photograph, proposed with an uncertainty and never imposed.

The mid-line. Where a stroke marks it at heel and toe, the strokes' outer ends are heel centre and toe. Otherwise the
mid-line is the sole's longest straight line: the two points of the outline that lie farthest apart. There the
outline is square to the line at both ends, so that the heel's rearmost point and the foremost point of the toe along
the line are the line's own ends, and two photographs of one sole give the same line.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np

from fitwright.errors import InputError
from fitwright.foot.datums import OFF_LINE_MM, off_line_mm
from fitwright.foot.frame import check_foot, from_sole, sole_axes, to_sole
from fitwright.quantity import Floats, Measured
from fitwright.vision.find_cleat import CleatFound, find_cleat
from fitwright.vision.find_dots import Dot, find_bolts, find_dots
from fitwright.vision.find_lines import Line
from fitwright.vision.find_marks import Stroke, find_cross, find_strokes
from fitwright.vision.find_outline import Mask, Outline
from fitwright.vision.find_sole import find_sole_outline, length_doubt, sole_ends, sole_view, widest_heel
from fitwright.vision.find_straight import angle_between, find_straight_edge
from fitwright.vision.flat import FlatView
from fitwright.vision.photo_doubts import photo_doubts
from fitwright.vision.picture import Picture
from fitwright.vision.plane import CardPlane

SURE, LIKELY, GUESS = "sure", "likely", "a guess"
NOTHING: Floats = np.empty((0, 2))
M_ZONES = {"m1": (0.55, 0.86, -0.30, -0.05), "m5": (0.46, 0.80, 0.05, 0.30)}
"""Where the crosses of M1 and M5 are sought: x from, to, z from, to, as shares of the sole's length."""
CLEAT_ZONE = (0.42, 0.90, -0.19, 0.19)
"""Where the cleat is sought, likewise."""
TAPE_MM, TAPE_TONE = 12.0, 40.0
"""What lies nearer to a pen cross and differs from the tape there by fewer grey levels belongs to the tape."""
U_OUTLINE_END_MM = 0.08
"""How well a stroke's line crosses the sole's outline where the stroke ends (from rendered pictures)."""
BESIDE_MM = 50.0
"""A straight edge is sought so near to the sole."""
STROKE_NEAR_MM = 9.0
"""How far a mid-line stroke's outer end may lie from the end of the longest line."""


@dataclass(frozen=True)
class Proposed:
    """One point: (u, v) px of the upright picture, standard uncertainty per coordinate px, how it was found, and how
    sure: "sure", "likely", "a guess"."""

    uv_px: tuple[float, float]
    u_px: float
    how: str
    sure: str

    def to_json(self) -> dict[str, Any]:
        """`{"uv_px", "u_px", "how", "sure"}`."""
        return {"uv_px": list(self.uv_px), "u_px": self.u_px, "how": self.how, "sure": self.sure}


@dataclass(frozen=True)
class SoleProposals:
    """What was found in one sole photograph.

    Attributes:
        foot: as given. points: name (as in a reading) → proposal; what was not found is absent.
        outline_px, outline_mm: (n, 2) the sole's closed edge in the picture and in the card's plane, or (0, 2).
        cleat_px: (m, 2) the cleat's closed edge in the picture, or (0, 2).
        u_outline_mm: standard uncertainty of an outline point across the edge.
        edge_px: (2, 2) ends of a straight edge beside the sole, or (0, 2); edge_angle: its angle from the mid-line
            (heel to toe), towards the outer side positive, deg.
        looks_like: "left" or "right" when the shape says so, else "": ask when it is not `foot`.
        notes: what is absent or doubtful, why, and what to do.
    """

    foot: str
    points: Mapping[str, Proposed]
    outline_px: Floats
    outline_mm: Floats
    cleat_px: Floats
    u_outline_mm: float = 0.0
    edge_px: Floats = field(default_factory=lambda: NOTHING)
    edge_angle: Measured | None = None
    looks_like: str = ""
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain data (coordinates to 0.01)."""
        return {
            "foot": self.foot, "points": {k: p.to_json() for k, p in self.points.items()},
            "outline_px": np.round(self.outline_px, 2).tolist(), "outline_mm": np.round(self.outline_mm, 2).tolist(),
            "cleat_px": np.round(self.cleat_px, 2).tolist(), "u_outline_mm": self.u_outline_mm,
            "edge_px": np.round(self.edge_px, 2).tolist(),
            "edge_angle": self.edge_angle.to_json() if self.edge_angle else None,
            "looks_like": self.looks_like, "notes": list(self.notes),
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> SoleProposals:
        """The inverse of `to_json`."""

        def places(name: str) -> Floats:
            return np.asarray(data[name], dtype=np.float64).reshape(-1, 2)

        points = {
            k: Proposed((float(p["uv_px"][0]), float(p["uv_px"][1])), float(p["u_px"]), p["how"], p["sure"])
            for k, p in data["points"].items()
        }
        return SoleProposals(
            data["foot"], points, places("outline_px"), places("outline_mm"), places("cleat_px"),
            float(data["u_outline_mm"]), places("edge_px"),
            Measured.from_json(data["edge_angle"]) if data["edge_angle"] else None, data["looks_like"],
            tuple(data["notes"]),
        )  # fmt: skip


def propose_sole(picture: Picture, plane: CardPlane, foot: str, *, from_below: bool = True) -> SoleProposals:
    """Find outline, mid-line, M1, M5, cleat, datum dots and bolts. Nothing found is no error: the notes say why."""
    check_foot(foot)
    scene, doubts = sole_view(picture, plane), photo_doubts(picture, plane)
    try:
        outline = find_sole_outline(picture, scene)
    except InputError as error:
        return SoleProposals(foot, {}, NOTHING, NOTHING, NOTHING, notes=(*doubts, error.sentence()))
    found = _Found(picture, scene.view, outline, foot, from_below, notes=[*doubts, *length_doubt(outline)])
    found.look()
    found.straight_edge(scene.strips)
    return SoleProposals(
        foot, found.points, outline.px, outline.mm, found.cleat.outline_px if found.cleat else NOTHING,
        outline.u_mm, found.edge_px, found.edge_angle, found.looks_like, tuple(found.notes),
    )  # fmt: skip


@dataclass
class _Found:
    """What is known so far while one sole is searched."""

    picture: Picture
    view: FlatView
    outline: Outline
    foot: str
    from_below: bool
    points: dict[str, Proposed] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    cleat: CleatFound | None = None
    edge_px: Floats = field(default_factory=lambda: NOTHING)
    edge_angle: Measured | None = None
    looks_like: str = ""

    def look(self) -> None:
        """Everything, from the largest to the smallest."""
        self.ends = sole_ends(self.outline)
        self.heel, self.toe = self.ends.heel_mm, self.ends.toe_mm
        strokes = find_strokes(self.picture, self.view, self._inside(1.0))
        self._mid_line(strokes)
        self._heel_sides()
        self._which_foot()
        self._crosses()
        self._cleat(strokes)
        self._dots()

    @property
    def length_mm(self) -> float:
        return float(np.hypot(*(self.toe - self.heel)))

    def sole(self, mm: Floats) -> Floats:
        """(n, 2) plane → sole frame, mm."""
        return to_sole(mm, self.heel, self.toe, self.foot, self.from_below)

    def sole_of_px(self, px: Floats) -> Floats:
        """(n, 2) picture → sole frame, mm."""
        return self.sole(self.view.plane.places_mm(px))

    def _inside(self, wider_mm: float) -> Mask:
        return self.outline.mask(self.view, wider_mm)

    def _zone(self, x0: float, x1: float, z0: float, z1: float) -> Mask:
        """View pixels inside the outline whose sole coordinates, as shares of the length, lie in a box."""
        box = np.array([(x0, z0), (x1, z0), (x1, z1), (x0, z1)]) * self.length_mm
        return self._inside(0.0) & self.view.polygon(
            from_sole(box, self.heel, self.toe, self.foot, self.from_below)
        )

    def _put(self, name: str, uv: Floats, u_px: float, how: str, sure: str) -> None:
        self.points[name] = Proposed((float(uv[0]), float(uv[1])), float(u_px), how, sure)

    def _mid_line(self, strokes: list[Stroke]) -> None:
        plane = self.view.plane
        forward = (self.toe - self.heel) / self.length_mm
        for name, end, u_mm, way in (
            ("heel_centre", self.heel, self.ends.u_heel_mm, -forward), ("toe", self.toe, self.ends.u_toe_mm, forward)
        ):  # fmt: skip
            stroke = _stroke_at(strokes, plane, self.outline.px, end, way)
            if stroke is not None:
                self._put(name, *stroke, "outer end of the stroke on the mid-line", SURE)
            else:
                self._put(name, plane.to_picture(end[None])[0], u_mm * plane.px_per_mm,
                          "end of the sole's longest line", LIKELY)  # fmt: skip
        self.heel, self.toe = (
            plane.places_mm(np.array([self.points[k].uv_px]))[0] for k in ("heel_centre", "toe")
        )
        turn = math.degrees(math.acos(min(1.0, float(forward @ (self.toe - self.heel)) / self.length_mm)))
        if turn > 1.0:
            self.notes.append(
                f"the strokes at heel and toe lie {turn:.1f}° off the sole's longest line: check heel_centre and toe"
            )

    def _heel_sides(self) -> None:
        for name, at, u_mm in widest_heel(self.sole(self.outline.mm), self.length_mm, self.outline.u_mm):
            mm = from_sole(at[None], self.heel, self.toe, self.foot, self.from_below)
            uv = self.view.plane.to_picture(mm)[0]
            self._put(name, uv, u_mm * self.view.plane.px_per_mm, "outline, widest place of the heel", LIKELY)

    def _which_foot(self) -> None:
        """A shoe is hollow on its inner side: seen along the mid-line, its waist is bent outward."""
        p = self.sole(self.outline.mm) / self.length_mm
        waist = (p[:, 0] > 0.28) & (p[:, 0] < 0.5)
        inner, outer = p[waist & (p[:, 1] < 0), 1], p[waist & (p[:, 1] > 0), 1]
        if not inner.size or not outer.size:
            return
        bend = float(np.median(inner) + np.median(outer)) / 2
        if abs(bend) > 0.004:
            other = "right" if self.foot == "left" else "left"
            self.looks_like = self.foot if bend > 0 else other

    def _crosses(self) -> None:
        for name, zone in M_ZONES.items():
            cross = find_cross(self.picture, self.view, self._zone(*zone))
            if cross is None:
                self.notes.append(
                    f"{name} not found: stick light tape over it and draw a cross of two thin dark lines 12 mm long "
                    "on it, or pick it by hand"
                )
            else:
                self._put(
                    name, cross.uv_px, cross.u_px, "pen cross", SURE if cross.likeness > 0.65 else LIKELY
                )
        if "m1" in self.points and "m5" in self.points:
            m1, m5 = self.sole_of_px(np.array([self.points[k].uv_px for k in ("m1", "m5")]))
            if m1[0] < m5[0] - 3.0:
                self.looks_like = "right" if self.foot == "left" else "left"
        if self.looks_like not in ("", self.foot):
            self.notes.insert(0, f"is this the {self.foot} shoe? its shape looks like the {self.looks_like} one: "
                                 "choose the other foot, or go on when it is right")  # fmt: skip

    def _cleat(self, strokes: list[Stroke]) -> None:
        zone = self._zone(*CLEAT_ZONE)
        strokes = [s for s in strokes if self.view.all_in(zone, self.view.plane.places_mm(s.rough_px))]
        for name in ("m1", "m5"):
            if name in self.points:  # the tape is not the cleat
                zone &= ~self._tape(self.view.plane.places_mm(np.array([self.points[name].uv_px]))[0])
        self.cleat = find_cleat(self.picture, self.view, zone, strokes, self.sole_of_px)
        if self.cleat is None:
            self.notes.append(
                "no cleat found: none is mounted, or it looks like the sole; pick its nose and tail by hand"
            )
            return
        for name, (uv, u_px) in self.cleat.ends.items():
            self._put(name, uv, u_px, self.cleat.how, SURE if self.cleat.marked else GUESS)

    def _tape(self, at_mm: Floats) -> Mask:
        """View pixels of the tape under a pen cross: near it and of its tone, the pen's lines included."""
        near = self.view.disc(at_mm, TAPE_MM)
        tone = np.median(self.view.grey[self.view.disc(at_mm, TAPE_MM / 2)])
        like = (near & (np.abs(self.view.grey - tone) < TAPE_TONE)).astype(np.uint8)
        return np.asarray(cv2.morphologyEx(like, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8)) > 0)

    def _dots(self) -> None:
        everywhere = self._inside(-1.0)
        dots = find_dots(self.picture, self.view, everywhere)
        for i, dot in enumerate(self._round_the_cleat(dots), start=1):
            self._put(f"datum_{i}", dot.uv_px, dot.u_px, "centre of a ringed dot",
                      SURE if dot.explained > 0.985 else LIKELY)  # fmt: skip
        bolts = find_bolts(self.view, self._zone(*CLEAT_ZONE))
        for i, bolt in enumerate(self._round_the_cleat(bolts, -1)[:3], start=1):  # as foot.hardware counts
            self._put(f"bolt_{i}", bolt.uv_px, bolt.u_px, "centre of a bolt's head", LIKELY)
        self._doubt_the_dots(dots)

    def straight_edge(self, strips: Mask) -> None:
        """A ruler or the like beside the sole."""
        elsewhere = strips | ~self.view.seen | self._inside(4.0) | ~self._inside(BESIDE_MM)
        found = find_straight_edge(self.picture, self.view, elsewhere)
        if found is None:
            return
        line, self.edge_px = found
        u_px = math.hypot(self.points["heel_centre"].u_px, self.points["toe"].u_px)
        u_axis = math.degrees(u_px / self.view.plane.px_per_mm / self.length_mm)
        axes = sole_axes(self.heel, self.toe, self.foot, self.from_below)
        along = Line(line.centre, axes @ line.direction, line.rms, line.n, line.u_angle_deg, line.length)
        self.edge_angle = angle_between(along, np.array([1.0, 0.0]), u_axis)

    def _round_the_cleat(self, dots: tuple[Dot, ...] | list[Dot], way: int = 1) -> list[Dot]:
        """In order round the cleat's centre, from ahead by way of the outer side (`way` -1: the inner)."""
        if not dots:
            return []
        p = self.sole_of_px(np.array([d.uv_px for d in dots]))
        ends = [self.points[k].uv_px for k in ("cleat_nose", "cleat_tail") if k in self.points]
        centre = self.sole_of_px(np.array(ends)).mean(axis=0) if len(ends) == 2 else p.mean(axis=0)
        turn = np.degrees(np.arctan2(way * (p[:, 1] - centre[1]), p[:, 0] - centre[0]))
        return [dots[i] for i in np.argsort((turn + 45.0) % 360.0)]

    def _doubt_the_dots(self, dots: tuple[Dot, ...]) -> None:
        if len(dots) < 3:
            self.notes.append(
                f"{len(dots)} datum dot{'s' if len(dots) != 1 else ''} found, three are needed to restore the cleat: "
                "dab a dark dot (2 mm) in a light ring (4 mm) on it, or pick them by hand"
            )
            return
        if off_line_mm(self.sole_of_px(np.array([d.uv_px for d in dots]))) < OFF_LINE_MM:
            self.notes.append("the datum dots lie on one line: put one of them 10 mm or more to the side")


def _stroke_at(
    strokes: list[Stroke], plane: CardPlane, outline_px: Floats, end_mm: Floats, outward: Floats
) -> tuple[Floats, float] | None:
    """Where the stroke that runs to this end of the mid-line meets the outline: (2,) px and its u."""
    best: tuple[float, Stroke, int] | None = None
    for stroke in strokes:
        ends = plane.places_mm(stroke.rough_px)
        along = ends[1] - ends[0]
        k = int(along @ outward > 0)
        aligned = abs(float(along @ outward)) / max(float(np.hypot(*along)), 1e-9)
        distance = float(np.hypot(*(ends[k] - end_mm)))
        if aligned > math.cos(math.radians(15)) and distance < (best[0] if best else STROKE_NEAR_MM):
            best = distance, stroke, k
    return (
        None
        if best is None
        else best[1].end_on(
            outline_px, best[2], U_OUTLINE_END_MM * plane.px_per_mm, 2.5 * plane.px_per_mm, own_first=False
        )
    )
