"""The Feet station as one line for each step of its work: what is known there, or what it waits for."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from fitwright.records.models import Visit
from fitwright.studio.feet.clearance import missing_of
from fitwright.studio.feet.foot import Foot, foot_of
from fitwright.studio.feet.hardware import pattern_problem, system_of
from fitwright.studio.feet.marks import marks_of
from fitwright.studio.feet.ridden import ridden_of
from fitwright.studio.feet.soles import FEET, MOMENT_WORDS, MOMENTS

STATE_WORDS = {"empty": "nothing yet", "partly": "begun", "done": "complete"}
Told = tuple[bool | None, str]
"""Whether a step is done for one foot (None: begun), and what to say of it."""


@dataclass(frozen=True)
class Step:
    """One step: the page that does it, "empty", "partly" or "done", and its state in words."""

    name: str
    state: str
    words: str

    @property
    def state_words(self) -> str:
        """For those who do not see the mark."""
        return STATE_WORDS[self.state]


def steps(visit: Visit) -> tuple[Step, ...]:
    """Every step in the order of the work, the photographs first."""
    told = {
        "photographs": _both(visit, _photographs), "feet_marks": _both(visit, _marks),
        "feet_hardware": _hardware(visit), "feet_setting": _both(visit, _setting),
        "feet_clearance": _both(visit, _clearance), "feet_aid": _both(visit, _aid),
        "feet_check": _both(visit, _check),
    }  # fmt: skip
    return tuple(Step(name, *said) for name, said in told.items())


def _both(visit: Visit, tell: Callable[[Visit, Foot], Told]) -> tuple[str, str]:
    told = {side: tell(visit, foot_of(visit, side)) for side in FEET}
    words = [said for _, said in told.values()]
    same = len(set(words)) == 1
    return _state(done for done, _ in told.values()), (
        f"both feet: {words[0]}" if same else "; ".join(f"{side}: {said}" for side, (_, said) in told.items())
    )


def _state(done: Iterable[bool | None]) -> str:
    known = list(done)
    return "done" if all(known) else "partly" if any(d is None or d for d in known) else "empty"


def _photographs(visit: Visit, foot: Foot) -> Told:
    if not foot.photos:
        return False, "not photographed"
    waiting = [MOMENT_WORDS[w] for w in MOMENTS if w in foot.photos and w not in foot.readings]
    measured = [MOMENT_WORDS[w] for w in MOMENTS if w in foot.readings]
    said = [f"measured {', '.join(measured)}"] if measured else []
    said += [f"points to pick: {', '.join(waiting)}"] if waiting else []
    return (True if not waiting else None), ", ".join(said)


def _marks(visit: Visit, foot: Foot) -> Told:
    marks = marks_of(visit, foot.side)
    if marks is None:
        return False, "not known"
    if marks.conflicts:
        return None, f"measured twice with different results: {marks.conflicts[0]}"
    if marks.caution:
        return None, marks.caution
    return True, " and ".join(marks.sources)


def _hardware(visit: Visit) -> tuple[str, str]:
    cleat = system_of(visit)
    if cleat is None:
        return "empty", "say which cleat, its float and its bolts"
    problem = next((p for side in FEET if (p := pattern_problem(visit, side))), None)
    name = visit.shoes.name if visit.shoes else ""
    said = f"{name}: {cleat.label}" if name else cleat.label
    return ("partly", f"{said}; {problem.problem}") if problem else ("done", said)


def _setting(visit: Visit, foot: Foot) -> Told:
    if foot.start is None:
        return False, "waits for M1, M5 and the hanging foot"
    return True, foot.to_do or f"at λ {foot.start.fraction:.2f}; the cleat as it is now is not measured"


def _clearance(visit: Visit, foot: Foot) -> Told:
    """Whether it can be worked out; the turn itself is only worked out at its page."""
    missing = [m.replace(f"the {foot.side} cleat", "the cleat") for m in missing_of(visit, foot.side)]
    return (False, f"needs {', '.join(missing)}") if missing else (True, "all is known to work it out")


def _aid(visit: Visit, foot: Foot) -> Told:
    if foot.start is None:
        return False, "waits for a first setting"
    return True, "ready for the hand"


def _check(visit: Visit, foot: Foot) -> Told:
    if foot.remount:
        return foot.remount.within_goal or None, f"put back: {foot.remount.words}"
    if foot.check:
        ridden = ridden_of(visit, foot.side)
        line = f"; {ridden.line}" if ridden and ridden.line else ""
        return foot.check.within_goal or None, foot.check.words + line
    return False, "waits for a photograph after fitting"
