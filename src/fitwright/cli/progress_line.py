"""One line on a terminal that tells how far long work is and how long it will still take."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from fitwright.studio.time_left import seconds_left, words_left

EVERY_S = 0.5
CLEAR = "\r\x1b[K"


@contextmanager
def progress_line() -> Iterator[Callable[[float, str], None] | None]:
    """Yields what to call with the share done and what is being done; None where nobody looks (a pipe, a file)."""
    if not sys.stderr.isatty():
        yield None
        return
    began = time.monotonic()
    told = began - EVERY_S

    def tell(share: float, words: str) -> None:
        nonlocal told
        now = time.monotonic()
        if now - told >= EVERY_S:
            told = now
            left = words_left(seconds_left(share, now - began))
            print(
                f"{CLEAR}{share:4.0%}  {', '.join(filter(None, (words, left)))}",
                end="",
                file=sys.stderr,
                flush=True,
            )

    try:
        yield tell
    finally:
        print(CLEAR, end="", file=sys.stderr, flush=True)
