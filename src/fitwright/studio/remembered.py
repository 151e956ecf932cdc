"""What was worked out for exactly these numbers before, kept in this process so that a page opens at once."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

T = TypeVar("T")
MOST = 64
_KEPT: dict[Hashable, Any] = {}


def remembered(key: Hashable, work: Callable[[], T]) -> T:
    """What `work` gave for this key before; the last few are kept."""
    if key not in _KEPT:
        if len(_KEPT) >= MOST:
            _KEPT.pop(next(iter(_KEPT)), None)
        _KEPT[key] = work()
    found: T = _KEPT[key]
    return found
