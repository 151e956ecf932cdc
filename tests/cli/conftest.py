"""The whole application called in this process, and what must be true of every refusal."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from typer.testing import CliRunner


@pytest.fixture(scope="session")
def fitwright_app():
    """`fitwright` with all its commands."""
    from fitwright.cli.main import build

    return build()


@pytest.fixture
def refused(fitwright_app) -> Callable[..., str]:
    """Call `fitwright ...`; it must end with 2 and one line, say nothing else, and show no traceback."""

    def call(*words: object, given: str | None = None) -> str:
        got = CliRunner().invoke(fitwright_app, [str(w) for w in words], input=given)
        assert got.exit_code == 2, (got.output, got.exception)
        assert got.stdout == ""
        assert got.stderr.startswith("fitwright: ")
        assert got.stderr.count("\n") == 1, got.stderr
        assert "Traceback" not in got.stderr
        return got.stderr

    return call


@pytest.fixture
def answered(fitwright_app) -> Callable[..., Any]:
    """Call `fitwright ... --json`; it must succeed and print strict JSON (no NaN), which is returned."""

    def call(*words: object, given: str | None = None) -> Any:
        got = CliRunner().invoke(fitwright_app, [str(w) for w in words], input=given)
        assert got.exit_code == 0, (got.output, got.exception)
        return json.loads(got.stdout, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))

    return call
