"""Where a marked point came from: kept with it, shown beside it with a sign of its own, written out with a ride.

A sign is never told by its colour: each has another shape and stands beside its words.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

HAND, PROPOSED, SNAPPED = "hand", "proposed", "snapped"
GUESSED, CONFIRMED = "guessed", "confirmed"
"""What a network put there; and where a hand then said that it is right."""
EARLIER, UNKNOWN = "earlier", "unknown"
"""Taken over from an earlier film where there is no disc; and marks that were kept before origins were."""


@dataclass(frozen=True)
class Kind:
    """One way a point can come about: its sign, what is said beside it, and what that means."""

    sign: str
    words: str
    why: str


KINDS: Mapping[str, Kind] = {
    HAND: Kind("✛", "by hand", "Placed by a hand, or its numbers typed."),
    PROPOSED: Kind("◎", "found and taken", "A disc found in the picture was offered, and a hand took it."),
    "snapped:dot": Kind("⌖", "snapped to a dot", "A hand put it near, and it went to the dot there."),
    "snapped:edge": Kind("⌖", "snapped to an edge", "A hand put it near, and it went to the edge there."),
    "snapped:corner": Kind("⌖", "snapped to a corner", "A hand put it near, and it went to the corner there."),
    EARLIER: Kind("↶", "taken over from an earlier film", "No disc lies here: its place is that of an earlier film."),
    GUESSED: Kind("?", "a guess, not confirmed", "A landmark network put it there, and nobody has confirmed it."),
    CONFIRMED: Kind("✓", "a guess, confirmed by hand",
                    "A landmark network put it there, and a hand moved it or said that it sits right."),
    UNKNOWN: Kind("–", "origin not recorded", "Marked before origins were kept, or in a file that does not tell."),
}  # fmt: skip
CORRECTED = Kind("✎", "put right later", "A hand put it right in another picture of the film.")


@dataclass(frozen=True)
class Origin:
    """How a point came about, and its standard uncertainty per coordinate (px; None: the usual one of a hand).

    `corrected_s`: moments of the film in which it was put right afterwards, s.
    """

    how: str = HAND
    u_px: float | None = None
    corrected_s: tuple[float, ...] = ()

    @property
    def kind(self) -> Kind:
        """Its sign and words."""
        return KINDS.get(self.how, KINDS[UNKNOWN])

    @property
    def later(self) -> str:
        """`put right later, at 1.70 s, 2.50 s`; empty when it was not."""
        at = ", ".join(f"{t:.2f} s" for t in self.corrected_s)
        return f"put right later, at {at}" if at else ""

    @property
    def words(self) -> str:
        """All of it in words."""
        return "; ".join(filter(None, (self.kind.words, self.later)))

    @property
    def guess(self) -> bool:
        """Whether it is a guess that nobody has confirmed; putting it right in the film confirms it."""
        return self.how == GUESSED and not self.corrected_s

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        told: dict[str, Any] = {"how": self.how, "u_px": self.u_px}
        return told | ({"corrected_s": list(self.corrected_s)} if self.corrected_s else {})

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Origin:
        """The inverse of `to_json`."""
        return Origin(str(data["how"]), data.get("u_px"), tuple(data.get("corrected_s", ())))


def origins_of(marks: Mapping[str, Any], corrections: Iterable[Mapping[str, Any]] = ()) -> dict[str, Origin]:
    """name → origin of the points of a film's marks on record; unknown where it was not kept.

    Args:
        corrections: those that went into the points' following ("name", "time_s").
    """
    said = {n: Origin(UNKNOWN) for n in marks.get("points", {})}
    guessed = marks.get("guessed", {})
    said |= {
        n: Origin(GUESSED, guessed[n]["u_px"] if isinstance(guessed, Mapping) else None) for n in guessed
    }
    said |= {n: Origin(CONFIRMED) for n in marks.get("confirmed", ())}
    said |= {n: Origin.from_json(o) for n, o in marks.get("origin", {}).items()}
    for one in corrections:
        if (name := one["name"]) in said:
            said[name] = replace(said[name], corrected_s=(*said[name].corrected_s, round(one["time_s"], 5)))
    return said


@dataclass(frozen=True)
class Together:
    """Points that came about in one way."""

    kind: Kind
    labels: tuple[str, ...]


def grouped(origins: Mapping[str, Origin], labels: Mapping[str, str]) -> tuple[Together, ...]:
    """Points by origin, in the order of `KINDS`; those that were put right later stand once more at the end."""
    called = {n: labels.get(n, n.replace("_", " ")) for n in origins}
    ways: Sequence[tuple[Kind, list[str]]] = [
        *((kind, [called[n] for n, o in origins.items() if o.kind is kind]) for kind in KINDS.values()),
        (CORRECTED, [called[n] for n, o in origins.items() if o.corrected_s]),
    ]
    return tuple(Together(kind, tuple(names)) for kind, names in ways if names)


def in_header(origins: Mapping[str, Origin]) -> str:
    """`greater_trochanter: by hand; heel: ...` for the header of a file; empty when nothing is known."""
    return " | ".join(f"{name}: {origin.words}" for name, origin in origins.items())


def signs_json(say: Any) -> str:
    """`{how: [sign, words, why]}` for a page's script; `say` puts words into its language."""
    return json.dumps(
        {how: [k.sign, say(k.words), say(k.why)] for how, k in KINDS.items()}, ensure_ascii=False
    )
