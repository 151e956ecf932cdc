"""M1 and M5 of one foot in the sole frame, whichever way they were measured.

Every way of measuring is an `Analysis` row of its own: kind "sole" (a sole photograph), or kind "mark" with the label
"left ruler", "left inner", "left outer", "left carried". What was set aside is an answer that lists the rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fitwright.body import reference
from fitwright.foot.marks import MARK, WAY, CombinedMarks, Observation, combine_marks
from fitwright.foot.marks_prior import guess_from_foot
from fitwright.foot.sole import SolePoint
from fitwright.quantity import Measured, combine
from fitwright.records.models import Analysis, Visit
from fitwright.studio.feet.soles import STATION, label_of, letter_of
from fitwright.studio.visits import analyses, answers, measured, once

KIND = "mark"
RULER, INNER, OUTER, CARRIED = "ruler", "inner", "outer", "carried"
WAYS = (RULER, INNER, OUTER, CARRIED)
SOLES = {"before": "sole photograph, as it came", "after": "sole photograph, after fitting"}
BALL_SHARE = 0.74  # of the foot's length; only to carry its u over (Gordon et al. 2014)
U_OTHER_FOOT_MM = 3.0  # left and right foot of one person; our assumption, no source


@dataclass(frozen=True)
class Marks:
    """Both heads in the sole frame; `sources` and `conflicts` in words.

    `from_prior` when at least one coordinate was not measured but guessed from the foot; `guessed` says which.
    """

    m1: SolePoint
    m5: SolePoint
    sources: tuple[str, ...]
    conflicts: tuple[str, ...] = ()
    from_prior: bool = False
    guessed: tuple[str, ...] = ()

    @property
    def caution(self) -> str:
        """What must stand beside everything that follows from these marks; empty when all of it was measured."""
        if not self.from_prior:
            return ""
        return f"{' and '.join(self.guessed)} guessed from the foot, not measured"


@dataclass(frozen=True)
class Way:
    """One way in which marks of this foot were measured: its row, and whether it was set aside."""

    observation: Observation
    row: Analysis | None = None
    aside: bool = False

    @property
    def key(self) -> int:
        """Of the row; 0 for the guess, which has none."""
        return self.row.pk if self.row else 0


def marks_of(visit: Visit, side: str) -> Marks | None:
    """The best estimate of M1 and M5 of this foot on the shoes that are on the bench.

    None when a coordinate is neither measured nor can be guessed, or when what was measured cannot be.
    """
    return once(visit, f"M1 and M5 {side}", lambda: _marks_of(visit, side))


def _marks_of(visit: Visit, side: str) -> Marks | None:
    found = combined_of(visit, side)
    m1, m5 = found.point("m1"), found.point("m5")
    if m1 is None or m5 is None or found.impossible:
        return None
    sources = tuple(dict.fromkeys(s for name in found.names for s in found.sources[name]))
    conflicts = tuple(c.words() for c in found.conflicts)
    return Marks(m1, m5, sources, conflicts, bool(found.guessed), guessed_words(found))


def combined_of(visit: Visit, side: str) -> CombinedMarks:
    """All ways that were not set aside, combined; the guess from the foot fills what none of them states."""
    return once(
        visit,
        f"marks {side}",
        lambda: combine_marks([w.observation for w in ways_of(visit, side) if not w.aside]),
    )


def guessed_words(found: CombinedMarks) -> tuple[str, ...]:
    """`M1`, or `M5 sideways` when only that is guessed."""
    words = []
    for mark in ("M1", "M5"):
        names = [n for n in found.guessed if MARK[n] == mark]
        words += [mark] if len(names) == 2 else [f"{mark} {WAY[n]}" for n in names]
    return tuple(words)


def ways_of(visit: Visit, side: str, letter: str | None = None) -> tuple[Way, ...]:
    """Every way on record for one foot and pair of shoes (default: the one on the bench), the guess last."""
    letter = letter or letter_of(visit)
    rows, said = analyses(visit), answers(visit, STATION)
    aside = set(said.get(label_of(letter, aside_key(side)), ()))
    found = []
    for when, words in SOLES.items():
        row = rows.get(("sole", label_of(letter, f"{side} {when}")))
        if row is not None and (seen := _of_sole(row, words)) is not None:
            found.append(Way(seen, row, row.pk in aside))
    for way in WAYS:
        row = rows.get((KIND, label_of(letter, f"{side} {way}")))
        if row is not None:
            found.append(Way(Observation.from_json(row.result["observation"]), row, row.pk in aside))
    guess = guess_of(visit, side)
    return (*found, Way(guess)) if guess else tuple(found)


def aside_key(side: str) -> str:
    """Of the answer that lists the rows set aside."""
    return f"marks aside {side}"


def _of_sole(row: Analysis, words: str) -> Observation | None:
    m1, m5 = (SolePoint.from_json(p) if (p := row.result["landmarks"].get(m)) else None for m in ("m1", "m5"))
    return Observation.of_points(words, m1, m5) if m1 or m5 else None


def guess_of(visit: Visit, side: str) -> Observation | None:
    """Where the heads probably lie, from what Body knows of the foot; None without a foot length."""
    length, known = foot_length_of(visit, side), measured(visit, "body")
    if length is None:
        return None
    ball, breadth = known.get(("ball_length_mm", side)), known.get(("foot_breadth_mm", side))
    return guess_by(
        length, visit.rider.sex, ball.measured if ball else None, breadth.measured if breadth else None
    )


def guess_by(
    length: Measured, sex: str = "", ball: Measured | None = None, breadth: Measured | None = None
) -> Observation:
    """The guess from a bare foot's length, mm; ball length and breadth by the sample's ratios unless measured."""
    share = reference.reference("breadth_to_foot_length", sex)
    return guess_from_foot(
        length,
        ball or reference.ball_of_foot_x(length.value, sex).widened(BALL_SHARE * length.u),
        breadth or Measured(share.mean * length.value, share.sd * length.value, "mm"),
        "guess from the bare foot" if ball else "guess from foot length",
    )


def foot_length_of(visit: Visit, side: str) -> Measured | None:
    """Length of the bare foot from Body; the other foot's, less surely, when only that was measured."""
    known: Mapping[tuple[str, str], Any] = measured(visit, "body")
    other = "right" if side == "left" else "left"
    if (own := known.get((f"foot_length_{side}_mm", ""))) is not None:
        return Measured(own.value, own.u, "mm", f"{side} foot")
    if (twin := known.get((f"foot_length_{other}_mm", ""))) is not None:
        return Measured(
            twin.value, combine(twin.u, U_OTHER_FOOT_MM), "mm", f"{other} foot, this one not measured"
        )
    return None
