"""The one small family of errors.

Every failure that a user can mend is an `InputError`: it names the field, the value that was given, the
allowed range and what to do. The web shows it at the field, the command line prints it as one line and exits
with 2, a job stores it.
"""

from __future__ import annotations

import math
from typing import Any


class FitwrightError(Exception):
    """Base of every error that Fitwright raises on purpose."""


class InputError(FitwrightError):
    """Something that was given cannot be used; the message says what and what would be accepted.

    Args:
        field: name of the field, parameter or file as the user knows it.
        problem: what is wrong, in plain words.
        value: what was given.
        allowed: the accepted range or set, with unit.
        hint: what to do next.
    """

    def __init__(
        self, field: str, problem: str, *, value: Any = None, allowed: str = "", hint: str = ""
    ) -> None:
        self.field, self.problem, self.value, self.allowed, self.hint = field, problem, value, allowed, hint
        super().__init__(self.sentence())

    def __reduce__(self) -> tuple[Any, ...]:
        """Comes whole out of another process."""
        return _remade, (type(self), self.__dict__)

    def sentence(self) -> str:
        """The whole message in one line."""
        got = "" if self.value is None else f" (got {self.value!r})"
        allowed = f"; allowed: {self.allowed}" if self.allowed else ""
        hint = f". {self.hint[:1].upper()}{self.hint[1:]}" if self.hint else ""
        return f"{self.field}: {self.problem}{got}{allowed}{hint}"

    def to_json(self) -> dict[str, Any]:
        """The same as a plain dictionary, for `--json` and for stored jobs."""
        value = self.value if isinstance(self.value, str | int | float | None) else repr(self.value)
        return {
            "error": self.sentence(), "field": self.field, "problem": self.problem,
            "value": value, "allowed": self.allowed, "hint": self.hint,
        }  # fmt: skip


def _remade(kind: type[InputError], told: dict[str, Any]) -> InputError:
    error = kind.__new__(kind)
    error.__dict__.update(told)
    Exception.__init__(error, error.sentence())
    return error


class Stopped(FitwrightError):  # noqa: N818 - it is no error: the user asked for it
    """Long work was cancelled by the user; what had been stored stays."""


def check_range(field: str, value: float, low: float, high: float, unit: str, hint: str = "") -> float:
    """Return `value` when it is a finite number in [low, high], else raise an `InputError` that names both."""
    number = float(value)
    if not math.isfinite(number) or not low <= number <= high:
        raise InputError(
            field, "outside the allowed range", value=value, allowed=f"{low:g} to {high:g} {unit}".strip(),
            hint=hint,
        )  # fmt: skip
    return number
