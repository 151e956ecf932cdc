"""Getting ready after the start: what a first look would wait for is there."""

from __future__ import annotations

import os
import subprocess
import sys

from django.template import engines

from fitwright.web import ready

AFTERWARDS = """
import sys
import numpy as np
from fitwright.cli.serve import settle
settle()
from fitwright.studio import corrections
from fitwright.vision.find_markers import find_discs
from fitwright.web.ready import get_ready
get_ready()
before, followed = set(sys.modules), corrections.get_ready()
v, u = np.mgrid[:360, :480]
away = np.hypot(u - 200, v - 150)
grey = np.where(away < 6, 40, np.where(away < 11, 210, 80 + v // 9)).astype(np.uint8)
found = find_discs(grey)
print(len(found), followed.is_alive(), sorted(set(sys.modules) - before))
"""


def test_every_template_is_parsed_once():
    (loader,) = engines["django"].engine.template_loaders
    loader.reset()
    ready.get_ready()
    kept = {t.name for t in loader.get_template_cache.values() if hasattr(t, "name")}
    assert kept >= set(ready.templates())
    assert "ride/mark.html" in kept


def test_the_first_search_for_marks_brings_in_nothing_more(tmp_path):
    told = subprocess.run(
        [sys.executable, "-c", "import django; django.setup()" + AFTERWARDS], capture_output=True, text=True,
        env=os.environ | {"DJANGO_SETTINGS_MODULE": "fitwright.settings", "FITWRIGHT_STUDIO": str(tmp_path)},
        check=True,
    )  # fmt: skip
    assert told.stdout.split(maxsplit=2) == ["1", "False", "[]\n"]
