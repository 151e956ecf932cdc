"""Files that are given: there or not, JSON or not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from fitwright.errors import InputError


def check_file(field: str, path: Path) -> None:
    """Raise `InputError` when there is no such file, or a folder in its place."""
    if not path.is_file():
        raise InputError(field, f"{path} " + ("is a folder" if path.is_dir() else "does not exist"))


def read_json(field: str, path: Path) -> Any:
    """What a JSON file holds; `InputError` for no file and for any other."""
    check_file(field, path)
    try:
        return json_in(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError as error:
        raise InputError(field, f"{path.name} is not text", allowed="JSON in UTF-8") from error
    except ValueError as error:
        raise InputError(field, f"{path.name} is not JSON: {error}") from error


def json_in(text: str | bytes) -> Any:
    """What a JSON text holds; ValueError for any other text, also for lists in lists without end."""
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError("lists or objects are nested too deeply") from None
