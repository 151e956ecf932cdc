"""Reads every text that is shown out of templates and source, and writes the catalogues of the other languages.

    python -m tools.words            write src/fitwright/locale/*/LC_MESSAGES/django.po and .mo again
    python -m tools.words --left     print what is not translated yet, as JSON
    python -m tools.words --take F   take translations from JSON ({"message": "text" or ["one", "other"]})

Templates are read as Django reads them. Of the source every string is taken that reads like words: f-strings with
their places as `{0}`, `{1}`; see `fitwright.told` for how they are found again.
"""

from __future__ import annotations

import argparse
import ast
import io
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from django.utils.translation.template import templatize

from fitwright.sheets.typeset import WORDS as FIXED
from fitwright.told import RANGE_MESSAGE
from fitwright.web.script_words import script_words

SOURCE = Path(__file__).resolve().parent.parent / "src" / "fitwright"
LOCALE = SOURCE / "locale"
LANGUAGES = {"de": "German"}
NOT_SHOWN = (
    "cli",
    "demo",
    "records/migrations",
    "settings.py",
    "told.py",
    "vision/disc_kernel.py",
    "inches.py",
    "studio/takeaway.py",
)
"""Rooms whose words stay English: commands, the demo's own log, data files, and what no page or paper shows."""
PROGRAMMERS = (
    "ValueError", "TypeError", "KeyError", "AssertionError", "RuntimeError", "NotImplementedError", "LookupError",
    "Option", "Argument", "compile", "getLogger",
)  # fmt: skip
WORDS = re.compile(r"[a-zA-Z]{2,}[^\w]* +[^\w]*[a-z]|[a-z]{2,}, |[A-Za-z]{2,} [A-Z0-9{(]")
TITLE = re.compile(r"[A-Z][a-z]{2,}(-[a-z]+)?")
CODE = re.compile(
    r"</|/>|<[a-z]|https?:|:root|\bSELECT\b|\bFROM\b|^[\w./-]+$|^[.#@]|\$|\\[A-Za-z]|^%|=\"|\{\{|\bpx\b;"
)
SMALL = (
    "left", "right", "both", "and", "or", "before", "after", "none", "inward", "outward", "up", "down", "forward",
    "back", "yes", "no", "now", "front", "rear", "above", "below", "inner", "outer", "side", "a study", "a review",
    "study", "review", "opinion", "practice",
    "fore-aft", "lateral", "three-bolt", "two-bolt", "M1 to nose", "M1 to tail", "M5 to nose", "M5 to tail",
    "left now", "right now", "left predicted", "right predicted", "left shoe",
    "right shoe", "years", "gravel", "mountain", "town", "planned", "kept", "undone", "setback", "mid-plane",
    "walking", "straight", "sideways", "Heel’s width", "Foot’s line", "mid-foot",
)  # fmt: skip
SMALL += (
    "complete", "begun", "arrived", "tape", "caliper", "estimated", "wished", "least", "greatest", "much", "little",
    "tight", "turned", "flexion", "stance", "bent", "straightened", "straighter", "flatter", "more bent", "bracket",
    "more closed", "more open", "toes down", "toes up", "heel up", "heel down", "more upright", "markers",
    "further forward", "further back", "a disc", "a chessboard", "Q factor", "… outward", "… up", "pointed",
    "converted", "interval", "intervals", "the place", "as on pair {0}", "as on {0} {1}, pair {2}",
    "2-D in motion", "3-D in motion", "2-D held still", "3-D held still", "reachable", "three-bolt triangle",
    "two-bolt slots", "no float", "Photographs", "Records", "heel’s breadth", "crotch", "stature",
    "the axle under the wished point", "the whole wish", "the rotation, then the nearest place",
    "the cleat, picked in a photograph", "sole back", "sole front",
    # points of the body
    "acromion", "elbow", "wrist", "greater trochanter", "lateral femoral condyle", "medial femoral condyle",
    "lateral malleolus", "medial malleolus", "heel", "toe", "fifth metatarsal", "first metatarsal", "asis", "patella",
    "foot rear", "foot front", "pedal", "pedal axle",
    # sources of bands in their short form, and parts of them
    "17 professionals", "abstract 'Abnormal patterns of knee medio-lateral deviation'",
    "normal band of a 37-rider 3-D study", "chosen setting 0.5", "first setting of the cleat", "margin our choice",
    "hanging-foot test, offered and not corrected", "a foot at the end of its float passes torsion to the knee",
    "no source",
)  # fmt: skip
"""Words of one part that sentences are put together from, beside those that stand in a choice inside a sentence."""
Key = str | tuple[str, str]
KEYWORDS = {"gettext": None, "_": None, "ngettext": (1, 2), "pgettext": ((1, "c"), 2)}


def from_templates() -> Iterator[tuple[Key, str]]:
    """(message or (one, many), place) of every template."""
    for path in sorted((SOURCE / "web" / "templates").rglob("*.html")):
        source = io.BytesIO(templatize(path.read_text("utf-8"), origin=path.name).encode())
        for _, message, _, _ in extract("python", source, keywords=KEYWORDS):
            yield message, path.relative_to(SOURCE).as_posix()


def from_source() -> Iterator[tuple[Key, str]]:
    """(message, place) of every string in the source that reads like words."""
    for word in (*SMALL, RANGE_MESSAGE):
        yield word, "tools/words.py"
    for path in sorted((SOURCE / "sheets" / "templates").glob("*.typ")):
        for said in FIXED.findall(path.read_text("utf-8")):
            yield said, path.relative_to(SOURCE).as_posix()
    for said in script_words():
        yield said, "web/static"
    for path in sorted(SOURCE.rglob("*.py")):
        place = path.relative_to(SOURCE).as_posix()
        if not place.startswith(NOT_SHOWN):
            for message in sorted(set(_shown(ast.parse(path.read_text("utf-8"))))):
                yield message, place


def _shown(tree: ast.AST) -> Iterator[str]:
    """Every text of a module that reads like words, without docstrings and what only a programmer sees."""
    if isinstance(tree, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
        body = [n for n in ast.iter_child_nodes(tree) if not _is_text(n)]
    elif isinstance(tree, ast.Call) and _called(tree) in PROGRAMMERS:
        return
    elif isinstance(tree, ast.JoinedStr):
        yield from _told_of(tree)
        body = [v for v in tree.values if isinstance(v, ast.FormattedValue)]
    elif isinstance(tree, ast.FormattedValue):
        yield from _choices(tree.value)
        body = [tree.value]
    elif isinstance(tree, ast.Constant):
        if isinstance(tree.value, str) and reads_like_words(tree.value):
            yield tree.value.strip()
        return
    else:
        body = list(ast.iter_child_nodes(tree))
    for child in body:
        yield from _shown(child)


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _called(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def _told_of(tree: ast.JoinedStr) -> Iterator[str]:
    """The pattern of an f-string: its places counted, those that touch counted as one."""
    text, places = "", 0
    for part in tree.values:
        if isinstance(part, ast.Constant):
            text += str(part.value)
        elif not text.endswith("}") or not places:
            text, places = f"{text}{{{places}}}", places + 1
    text = text.strip()
    own = re.sub(r"\{\d+\}", "", text)
    if re.search(r"[A-Za-z]{3,}", own) and not CODE.search(re.sub(r"\{\d+\}", "0", text)):
        yield text


def _choices(value: ast.expr) -> Iterator[str]:
    """Short words that a sentence chooses between: `{'above' if high else 'below'}`."""
    branches = [value.body, value.orelse] if isinstance(value, ast.IfExp) else []
    for branch in branches:
        if isinstance(branch, ast.Constant) and isinstance(branch.value, str):
            if re.fullmatch(r"[ ,]*[a-z]{2,}[a-z -]*", branch.value):
                yield branch.value.strip(" ,")
        else:
            yield from _choices(branch)


def reads_like_words(text: str) -> bool:
    """Whether a plain string is something that a person reads."""
    text = text.strip()
    if len(text) < 3 or (CODE.search(text) and not TITLE.fullmatch(text)):
        return False
    return bool(WORDS.search(text) or TITLE.fullmatch(text))


def catalogue(language: str) -> Catalog:
    """What is on disk for a language."""
    path = LOCALE / language / "LC_MESSAGES" / "django.po"
    if not path.is_file():
        return Catalog(locale=language)
    with path.open("rb") as file:
        return read_po(file, locale=language)


def written(language: str, given: dict[str, str | list[str]] | None = None) -> Catalog:
    """The catalogue of all messages now, with the translations that are on disk or given."""
    old = catalogue(language)
    new = Catalog(
        locale=language, project="Fitwright", charset="utf-8", copyright_holder="",
        header_comment="# Texts of Fitwright. Written by `python -m tools.words`.",
        creation_date=old.creation_date, revision_date=old.revision_date,
    )  # fmt: skip
    places: dict[Key, list[str]] = {}
    for message, place in (*from_templates(), *from_source()):
        places.setdefault(message, []).append(place)
    known = {m.id if isinstance(m.id, str) else m.id[0]: m.string for m in old if m.id and m.string}
    known |= given or {}
    for message, where in sorted(places.items(), key=lambda item: (item[1][0], str(item[0]))):
        one = message if isinstance(message, str) else message[0]
        text = known.get(one, "" if isinstance(message, str) else ("", ""))
        flags = ["python-format"] if re.search(r"%\(\w+\)s", one) else []
        locations = [(p, None) for p in dict.fromkeys(where)]
        new.add(message, text if isinstance(text, str) else tuple(text), locations=locations, flags=flags)
    return new


def left(book: Catalog) -> list[Key]:
    """Messages without a translation."""
    return [m.id for m in book if m.id and not (m.string if isinstance(m.string, str) else all(m.string))]


def compiled(book: Catalog) -> bytes:
    """The catalogue as Django and `fitwright.told` read it."""
    out = io.BytesIO()
    write_mo(out, book)
    return out.getvalue()


def main() -> None:
    """The command."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fitwright.settings")
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--left", action="store_true", help="print what is not translated")
    parser.add_argument("--take", type=Path, nargs="*", default=[], help="JSON files with translations")
    said = parser.parse_args()
    given: dict[str, str | list[str]] = {}
    for path in said.take:
        given |= json.loads(path.read_text("utf-8"))
    for language in LANGUAGES:
        book = written(language, given)
        if said.left:
            print(json.dumps(left(book), ensure_ascii=False, indent=0))
            continue
        folder = LOCALE / language / "LC_MESSAGES"
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / "django.po").open("wb") as file:
            write_po(file, book, width=110, omit_header=False)
        (folder / "django.mo").write_bytes(compiled(book))
        print(f"{language}: {len(book)} messages, {len(left(book))} not translated")


if __name__ == "__main__":
    main()
