"""The one style sheet holds no rule that no page uses."""

from __future__ import annotations

import re
from pathlib import Path

from django.contrib.staticfiles import finders

import fitwright

SHEET = Path(str(finders.find("fitwright.css")))
BUILT = {"of-2"}
"""Classes that a template puts together: `of-` and how many pictures stand side by side."""


def named_in(css: str) -> set[str]:
    """Classes and ids in the selectors of a sheet."""
    bare = re.sub(r"/\*.*?\*/|\"[^\"]*\"", "", css, flags=re.DOTALL)
    return set(re.findall(r"[.#]([a-zA-Z][\w-]*)", " ".join(re.findall(r"([^{};]+)\{", bare))))


def unused(css: str) -> set[str]:
    """Those that no template, script or module says as a word."""
    root = Path(fitwright.__file__).parent
    files = [p for p in root.rglob("*") if p.suffix in {".html", ".js", ".py", ".svg"}]
    said = set(re.findall(r"[a-zA-Z][\w-]*", "\n".join(p.read_text(encoding="utf-8") for p in files)))
    return named_in(css) - said - BUILT


def test_every_class_and_id_of_the_sheet_is_used():
    css = SHEET.read_text(encoding="utf-8")
    assert len(named_in(css)) > 100
    assert unused(css) == set()


def test_a_rule_that_nothing_uses_is_found():
    assert unused("/* .gone */ .walk .nowhere-at-all > a:hover { color: red; }") == {"nowhere-at-all"}
