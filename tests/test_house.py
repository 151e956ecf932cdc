"""The house keeps its own rules: no index hosts, no machine paths, files that tell one story."""

from __future__ import annotations

import pickle
import re
import subprocess
from pathlib import Path

import pytest

from fitwright.errors import InputError

REPO = Path(__file__).resolve().parents[1]
# Assembled from pieces so that this file does not name what it forbids.
FORBIDDEN = [
    "py" + "pi.org",
    "python" + "hosted.org",
    "registry.npm" + "js",
    "/wo" + "rk/",
    "/ro" + "ot/.",
    "deb." + "debian.org",
]


def committed() -> list[Path]:
    """Files that git knows, as text candidates."""
    names = (
        subprocess.run(["git", "ls-files", "-z"], cwd=REPO, capture_output=True, check=True)
        .stdout.decode()
        .split("\0")
    )
    return [REPO / n for n in names if n and (REPO / n).is_file()]


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    found = {}
    for path in committed():
        try:
            found[path.relative_to(REPO).as_posix()] = path.read_text("utf-8")
        except UnicodeDecodeError:
            continue
    assert len(found) > 50, "git ls-files found too little to judge"
    return found


def test_no_index_host_and_no_machine_path_is_committed(texts: dict[str, str]) -> None:
    bad = [(name, word) for name, text in texts.items() for word in FORBIDDEN if word in text]
    assert not bad


def test_every_pin_carries_a_hash(texts: dict[str, str]) -> None:
    for name in ("requirements.txt", "requirements-test.txt", "requirements-uv.txt"):
        pins = re.split(r"\n(?=[A-Za-z])", texts[name].strip())
        assert pins
        assert all("--hash=sha256:" in pin for pin in pins), name


def test_files_tell_one_story(texts: dict[str, str]) -> None:
    long = {
        n: t.count("\n") for n, t in texts.items() if n.startswith("src/") and n.endswith(".py")
        and t.count("\n") > 420 and "/migrations/" not in n
    }  # fmt: skip
    assert not long


def test_modules_and_public_functions_are_documented(texts: dict[str, str]) -> None:
    import ast

    missing = []
    for name, text in texts.items():
        if (
            not (name.startswith("src/") and name.endswith(".py"))
            or "/migrations/" in name
            or not text.strip()
        ):
            continue
        tree = ast.parse(text)
        if ast.get_docstring(tree) is None:
            missing.append(name)
        for node in tree.body:
            public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
            if public and ast.get_docstring(node) is None:
                missing.append(f"{name}:{node.name}")
    assert not missing


def test_an_error_comes_whole_out_of_another_process():
    """Long work may run in a process of its own; what it refuses must still name field and range."""
    error = InputError(
        "crank_mm", "outside the allowed range", value=900, allowed="100 to 220 mm", hint="measure it"
    )
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
    assert again.to_json() == error.to_json()
