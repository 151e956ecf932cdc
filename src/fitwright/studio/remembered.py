"""What was worked out for exactly these numbers before, kept in this process so that a page opens at once."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

from django.utils.translation import get_language

T = TypeVar("T")
MOST = 64
_KEPT: dict[Hashable, Any] = {}


def remembered(key: Hashable, work: Callable[[], T]) -> T:
    """What `work` gave for this key before, in the language that is spoken now; the last few are kept."""
    key = (key, get_language())
    if key not in _KEPT:
        if len(_KEPT) >= MOST:
            _KEPT.pop(next(iter(_KEPT)), None)
        _KEPT[key] = work()
    found: T = _KEPT[key]
    return found
