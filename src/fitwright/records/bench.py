"""Who is at the bench: their name goes with every row that is written while they are."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_AT_THE_BENCH: ContextVar[str] = ContextVar("at the bench", default="")


def at_the_bench() -> str:
    """The name; empty when nobody said who they are."""
    return _AT_THE_BENCH.get()


@contextmanager
def working_as(name: str) -> Iterator[None]:
    """Everything written inside is that person's."""
    token = _AT_THE_BENCH.set(name[:120])
    try:
        yield
    finally:
        _AT_THE_BENCH.reset(token)
