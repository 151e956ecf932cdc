"""The documents keep their word: commands, links, quoted messages and figures are the program's own."""

from __future__ import annotations

import ast
import json
import re
import shlex
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import click
import pytest
import typer
from bench.document import QUOTED, filled_in
from click.testing import CliRunner

from fitwright.cli.main import build
from fitwright.records.models import STATIONS

REPO = Path(__file__).resolve().parents[1]
PAGES = [REPO / "README.md", REPO / "CONTRIBUTING.md", *sorted((REPO / "docs").rglob("*.md"))]
STATION_PAGES = sorted((REPO / "docs" / "stations").glob("*.md"))
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
MADE_BY_COMMAND = {"docs/pictures/ride.png": "make shots"}


@lru_cache(maxsize=1)
def program() -> click.Command:
    return typer.main.get_command(build())


def paths(command: click.Command, at: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Every command and group, as the words after `fitwright`."""
    if at:
        yield at
    for name, sub in getattr(command, "commands", {}).items():
        if not sub.hidden:
            yield from paths(sub, (*at, name))


def examples() -> list[tuple[Path, str]]:
    """Lines in code blocks and `fitwright …` in the text; comments and redirections dropped."""
    found = []
    for page in PAGES:
        text = page.read_text("utf-8")
        lines = [ln for block in re.findall(r"```\w*\n(.*?)```", text, re.S) for ln in block.splitlines()]
        lines += re.findall(r"`(fitwright [^`]+)`", re.sub(r"```.*?```", "", text, flags=re.S))
        found += [(page, re.sub(r"\s+[#<>|].*", "", ln)) for ln in lines if ln.startswith("fitwright ")]
    return found


EXAMPLES = examples()


def test_every_command_and_group_is_in_the_documents():
    told = "\n".join(line for _, line in EXAMPLES)
    missing = [
        " ".join(p) for p in paths(program()) if not re.search(rf"^fitwright {' '.join(p)}\b", told, re.M)
    ]
    assert missing == []


@pytest.mark.parametrize(("document", "line"), EXAMPLES, ids=[f"{p.stem}: {ln}" for p, ln in EXAMPLES])
def test_examples_name_a_command_and_options_that_exist(document, line):
    words = shlex.split(line)[1:]
    command, at = program(), []
    while words and words[0] in getattr(command, "commands", {}):
        at.append(words[0])
        command = command.commands[words.pop(0)]
    result = CliRunner().invoke(program(), [*at, "--help"])
    assert result.exit_code == 0, result.output
    if any(w == "--help" for w in words):
        return
    known = {o for p in command.params for o in (*p.opts, *p.secondary_opts)}
    assert {w.partition("=")[0] for w in words if w.startswith("--")} <= known
    assert not hasattr(command, "commands"), f"{line}: names a group, not a command"
    needed = [p.opts[0] for p in command.params if p.required and p.opts[0].startswith("--")]
    assert set(needed) <= {w.partition("=")[0] for w in words}, f"{line}: lacks {needed}"


@pytest.mark.parametrize("document", PAGES, ids=[str(p.relative_to(REPO)) for p in PAGES])
def test_links_lead_somewhere(document):
    for target in LINK.findall(document.read_text("utf-8")):
        if re.match(r"[a-z]+:", target):
            continue
        place, _, heading = target.partition("#")
        where = (document.parent / place).resolve() if place else document
        inside = str(where.relative_to(REPO))
        if inside in MADE_BY_COMMAND:
            continue
        assert where.exists(), f"{document.name} → {target}"
        if heading:
            heads = re.findall(r"^#+ (.+)$", where.read_text("utf-8"), re.M)
            assert heading in [re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in heads]


def test_every_station_has_its_page():
    assert {p.stem for p in STATION_PAGES} == set(STATIONS)


@lru_cache(maxsize=1)
def said_by_the_program() -> str:
    """Every string of the program (f-strings in pieces, no docstrings) and the words of its pages, in lower case."""
    source = REPO / "src" / "fitwright"
    strings = []
    for file in source.rglob("*.py"):
        tree = ast.parse(file.read_text("utf-8"))
        docstrings = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings:
                strings.append(node.value)
    for file in source.rglob("*.html"):
        words = re.sub(r"""\{% translate ("[^"]+"|'[^']+')[^%]*%\}""", r" \1 ", file.read_text("utf-8"))
        strings.append(re.sub(r"\s+", " ", re.sub(r"<[^>]+>|\{%[^%]+%\}", " ", words)))
    return "\n".join(strings).lower()


@pytest.mark.parametrize("document", STATION_PAGES, ids=[p.stem for p in STATION_PAGES])
def test_quoted_messages_are_the_programs_own(document):
    """Each italic wording at the start of a table row; `…` stands for what varies."""
    rows = re.findall(r"^\| (.*?) \|", document.read_text("utf-8"), re.M)
    quoted = [m for row in rows for m in re.findall(r"(?<!\*)\*([^*]+)\*(?!\*)", row)]
    absent = [
        piece for message in quoted for piece in map(str.strip, message.split("…"))
        if piece.lower() not in said_by_the_program()
    ]  # fmt: skip
    assert quoted
    assert absent == []


@pytest.mark.parametrize("document", PAGES, ids=[str(p.relative_to(REPO)) for p in PAGES])
def test_quoted_figures_are_those_last_measured(document):
    figures = json.loads((REPO / "docs" / "performance.json").read_text("utf-8"))
    text = document.read_text("utf-8")
    known = {(part, row["name"]) for part, entry in figures.items() for row in entry["rows"]}
    unknown = [(m[1], m[2]) for m in QUOTED.finditer(text) if (m[1], m[2]) not in known]
    assert unknown == []
    assert filled_in(text, figures) == text, "an older figure stands there: run `make bench`"
