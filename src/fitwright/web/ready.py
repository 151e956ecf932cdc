"""What pages need the first time they are asked for, brought in beside them once the server listens.

Templates are parsed and compiled loops are loaded when they are first used: the first look at each page, and the
first search for marks in a film, would wait for it.
"""

from __future__ import annotations

from pathlib import Path
from threading import Timer

import numpy as np
from django.conf import settings
from django.template.loader import get_template

from fitwright.studio import corrections
from fitwright.vision.find_markers import find_discs

AFTER_S = 2.0
"""The page that a browser opens at the start comes first."""


def soon() -> Timer:
    """Get ready a moment from now, in a thread of its own."""
    timer = Timer(AFTER_S, get_ready)
    timer.name, timer.daemon = "readiness", True
    timer.start()
    return timer


def get_ready() -> None:
    """Parse every template; find one drawn disc, and follow one."""
    for name in templates():
        get_template(name)
    v, u = np.mgrid[:240, :320]
    away = np.hypot(u - 160, v - 120)
    find_discs(np.where(away < 5, 30, np.where(away < 9, 220, 90 + u // 8)).astype(np.uint8))
    corrections.get_ready().join()


def templates() -> list[str]:
    """The names of all templates."""
    root = Path(settings.TEMPLATES[0]["DIRS"][0])
    return sorted(p.relative_to(root).as_posix() for p in root.rglob("*.html"))
