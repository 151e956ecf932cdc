"""One contact sheet of all the pictures that `make shots` took: a page to scroll through, and one picture."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

from PIL import Image, ImageDraw

WIDE, HIGH, ROOM, LABEL = 210, 280, 8, 14
"""Of one picture on the sheet, in pixels; a longer page shows its upper part."""
STYLE = "body{background:#ccc;font-family:sans-serif}img{width:19%;height:26rem;object-fit:cover;object-position:top}"


def rows(folder: Path, looks: Sequence[str]) -> dict[str, dict[str, Path]]:
    """Name of a page and its pictures by look."""
    found: dict[str, dict[str, Path]] = {}
    for path in sorted(folder.glob("*.png")):
        for look in looks:
            if path.stem.endswith(f"-{look}"):
                found.setdefault(path.stem.removesuffix(f"-{look}"), {})[look] = path
    return found


def index(folder: Path, looks: Sequence[str]) -> Path:
    """A page with all of them, each leading to the whole picture."""
    lines = []
    for name, pictures in rows(folder, looks).items():
        cells = "".join(
            f'<a href="{p.name}"><img loading="lazy" src="{p.name}" alt="{escape(name)}, {look}"></a> '
            for look in looks
            if (p := pictures.get(look))
        )
        lines.append(f"<h2>{escape(name)}</h2><div>{cells}</div>")
    path = folder / "index.html"
    head = f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Every screen</title><style>{STYLE}</style>'
    path.write_text(f"{head}{''.join(lines)}", "utf-8")
    return path


def sheet(folder: Path, looks: Sequence[str], across: int = 3) -> Path:
    """One picture: `across` pages beside each other, each in all its looks."""
    named = list(rows(folder, looks).items())
    cell_wide, cell_high = len(looks) * (WIDE + ROOM) + ROOM, HIGH + LABEL + ROOM
    down = -(-len(named) // across)
    whole = Image.new("RGB", (cell_wide * across, cell_high * max(down, 1)), "#cccccc")
    pen = ImageDraw.Draw(whole)
    for place, (name, pictures) in enumerate(named):
        left, top = place % across * cell_wide, place // across * cell_high
        pen.text((left + ROOM, top), name, fill="black")
        for column, look in enumerate(looks):
            if look in pictures:
                whole.paste(_upper(pictures[look]), (left + ROOM + column * (WIDE + ROOM), top + LABEL))
    path = folder / "sheet.jpg"
    whole.save(path, quality=80)
    return path


def _upper(path: Path) -> Image.Image:
    """The upper part of a picture, small."""
    with Image.open(path) as picture:
        high = min(picture.height, picture.width * HIGH // WIDE)
        part = picture.convert("RGB").crop((0, 0, picture.width, high))
    part.thumbnail((WIDE, HIGH))
    return part
