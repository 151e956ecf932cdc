"""The words of the trade and of this workbench, in plain language, with a drawing where one helps."""

from __future__ import annotations

from dataclasses import dataclass

from fitwright.sheets.glossary_drawing import DRAWN, word_svg


@dataclass(frozen=True)
class Word:
    """`name` is its place on the page; `zero` says where it is zero and which way is positive."""

    name: str
    word: str
    meaning: str
    zero: str = ""

    @property
    def svg(self) -> str:
        """Its drawing, empty when it has none."""
        return word_svg(self.name, self.word) if self.name in DRAWN else ""


@dataclass(frozen=True)
class Chapter:
    """Words that belong together."""

    title: str
    words: tuple[Word, ...]


CHAPTERS = (
    Chapter(
        "Turn of the crank",
        (
            Word(
                "crank_angle",
                "Crank angle, top and bottom",
                "Where a foot’s pedal stands in its turn. The top (top dead centre) and the bottom "
                "(bottom dead centre) are straight above and below the bottom bracket.",
                "0° at the top, growing as one pedals; 90° in front; 180° at the bottom.",
            ),
            Word(
                "cycle",
                "Cycle",
                "One whole turn. Angles are told as the mean over all good cycles of a film; the "
                "ribbon beside a curve is how much single turns differ.",
            ),
        ),
    ),
    Chapter(
        "The body from the side",
        (
            Word(
                "knee_flexion",
                "Knee flexion",
                "How far the knee is bent: what is left to a straight leg, from hip over knee to "
                "ankle. Its least value comes near the bottom of the turn, not always at it.",
                "0° straight.",
            ),
            Word(
                "hip_flexion",
                "Hip flexion",
                "How far the hip is closed, from shoulder over hip to knee.",
                "0° in line.",
            ),
            Word(
                "ankle",
                "Ankle: toes down, toes up",
                "The shank against the sole (plantar-flexion, dorsiflexion).",
                "0° at right angles; toes down is positive.",
            ),
            Word(
                "sole_pitch",
                "Pitch of the sole",
                "The sole against the level.",
                "0° level; heel up is positive.",
            ),
            Word(
                "trunk",
                "Trunk to the level",
                "The line from hip to shoulder against the level.",
                "0° flat, 90° upright.",
            ),
        ),
    ),
    Chapter(
        "The body from the front",
        (
            Word(
                "knee_path",
                "Knee path",
                "Where the knee passes sideways of its pedal over the turn: at the top, when the foot "
                "pushes (90°) and at the bottom. Its travel is the widest place less the narrowest.",
                "0 above the pedal; outward is positive.",
            ),
            Word(
                "foot_yaw",
                "Yaw of the foot",
                "How far the foot is turned out, seen from above.",
                "0° straight ahead; toes out is positive.",
            ),
        ),
    ),
    Chapter(
        "Foot and cleat",
        (
            Word(
                "heads",
                "M1, M5 and the axle under the foot",
                "The heads of the first and fifth metatarsal bones: the ball of the foot behind the "
                "big and the small toe. λ says where the pedal’s axle crosses the line between.",
                "0 under M1, 1 under M5.",
            ),
            Word(
                "rotation",
                "Turn of the cleat",
                "How far the toes point out while the cleat stands in the middle of its float.",
                "0° straight ahead; toes out is positive.",
            ),
            Word(
                "float",
                "Float",
                "How far the foot can turn on the pedal before the cleat lets go, inward and outward "
                "of the middle.",
            ),
            Word(
                "stance",
                "Stance and Q factor",
                "Q factor: from crank face to crank face. Stance: from the bike’s middle to the "
                "middle of the cleat, with pedal and spacer.",
            ),
            Word(
                "wedge",
                "Wedge and shim",
                "A wedge tilts the cleat; a shim lifts the whole cleat, for a shorter leg.",
            ),
            Word(
                "datum",
                "Datum dots",
                "Three dots of paint on the cleat’s edge. Measured once, they bring the cleat back to "
                "its place when it is worn and replaced.",
            ),
        ),
    ),
    Chapter(
        "The bike",
        (
            Word(
                "saddle",
                "Saddle height and setback",
                "From the bottom bracket to the saddle’s reference point, where it is 80 mm wide: in "
                "a straight line, and how far that point lies behind.",
                "Backward is positive.",
            ),
            Word(
                "reach",
                "Hoods: reach and height",
                "From the bottom bracket to where the hand rests, forward and up.",
            ),
        ),
    ),
    Chapter(
        "How to read a number",
        (
            Word(
                "whisker",
                "±, whisker and band",
                "No measure is exact. The whisker shows where the true value lies 95 times in 100. A "
                "band is where studies or practice expect the value; it never is a mark.",
            ),
            Word(
                "distinguishable",
                "Not distinguishable",
                "The change is smaller than what two measures of the same thing may differ by "
                "(minimal detectable change). It may be there; this measure cannot tell.",
            ),
            Word(
                "probability",
                "Inside with a chance of 80 %",
                "How likely the true value lies in its band, with all that is not known for sure.",
            ),
            Word(
                "signs",
                "Signs",
                "Left is a circle, right a triangle; hollow is before, dashed foretold, solid now.",
            ),
        ),
    ),
)
