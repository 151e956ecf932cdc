"""The tape list for whoever holds the tools: every length to set, from which point to which, and room to write."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fitwright.quantity import Measured
from fitwright.sheets import cautions
from fitwright.sheets.ink import cut, shorten
from fitwright.sheets.typeset import Laid, Paper, qr_svg
from fitwright.sheets.words import capital, value_words
from fitwright.told import told

HOW = (
    "Set one line after the other from the top: a saddle that is moved back also moves down, so its height is set "
    "last. Measure with a tape or steel ruler as written, hold it straight, read it twice. Write what it reads in "
    "the end."
)
HEADS = ("what", "from … to …", "on arrival", "to read", "reads now", "tight")
CARE = (cautions.AFTER_THE_FIRST_RIDE, cautions.PARTS_PREVAIL, cautions.SMALL_STEPS, cautions.WHAT_IT_IS)
MOST_OPEN = 8


@dataclass(frozen=True)
class TapeLine:
    """One thing to set: its name, from which point to which, the value it had and the one to read; side "both",
    "left" or "right"."""

    what: str
    way: str
    to_read: Measured
    was: Measured | None = None
    side: str = "both"

    @property
    def moved(self) -> bool:
        """Whether it is to be another than on arrival, by more than a tenth."""
        return self.was is not None and abs(self.was.value - self.to_read.value) >= 0.1


@dataclass(frozen=True)
class TapeList:
    """The list. `groups`: heading → lines. `open`: changes that are planned and not recorded as done, in words."""

    studio: str
    rider: str
    date: str
    bike: str = ""
    simulated: bool = False
    groups: tuple[tuple[str, tuple[TapeLine, ...]], ...] = ()
    open: tuple[str, ...] = ()
    record: str = ""
    qr_text: str = ""
    own_cautions: tuple[str, ...] = ()


def tape_list(tape: TapeList, paper: Paper = "a4") -> Laid:
    """The list, one page on "a4" or "us-letter"."""
    foot = [
        told("± is the 95 % interval; a number without it was entered, its uncertainty not stated"),
        told("the bottom bracket is the middle of its axle; the saddle counts where it is 80 mm wide"),
        shorten(tape.record, 40), told(cautions.SIMULATED) if tape.simulated else "",
    ]  # fmt: skip
    more = len(tape.open) - MOST_OPEN
    data = {
        "title": f"{told('Tape list')}, {cut(tape.rider, 80)}", "studio": cut(tape.studio, 50),
        "rider": cut(tape.rider, 80), "date": cut(tape.date, 30), "bike": cut(tape.bike, 40),
        "simulated": tape.simulated, "qr": qr_svg(tape.qr_text), "kind": told("Tape list"), "how": told(HOW),
        "heads": [told(h) for h in HEADS],
        "groups": [{"words": told(words), "rows": _rows(lines)} for words, lines in tape.groups if lines],
        "empty": told("nothing was measured yet"), "torque": capital(told(cautions.TORQUE)),
        "open_words": told("Planned, not recorded as done, and so not in the numbers above"),
        "open": [shorten(w, 200) for w in tape.open[:MOST_OPEN]] + ([f"+ {more}"] if more > 0 else []),
        "signed": [told(w) for w in ("set by", "day", "torque checked")],
        "cautions": [*map(told, CARE), *tape.own_cautions],
        "foot": " · ".join(w for w in foot if w) + ".", "one_page": True,
    }  # fmt: skip
    return Laid("tape_list", data, paper)


def _rows(lines: Sequence[TapeLine]) -> list[dict[str, object]]:
    return [
        {
            "side": line.side if line.side != "both" else "", "what": shorten(line.what, 40).replace(" +", "\u00a0+"),
            "way": shorten(line.way, 140), "was": told(value_words(line.was)) if line.was else "",
            "value": told(value_words(line.to_read)), "moved": line.moved,
        }
        for line in lines
    ]  # fmt: skip
