"""Fixtures that every test may use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def outside_data() -> Path:
    """Folder with the open data sets: FITWRIGHT_OUTSIDE_DATA, else `shared/data` beside the repository.

    The data is read where it lies and never copied; where it is absent the test skips and says why.
    """
    folder = Path(os.environ.get("FITWRIGHT_OUTSIDE_DATA") or REPO.parent / "shared" / "data")
    if not folder.is_dir():
        pytest.skip(f"open data not found at {folder} (set FITWRIGHT_OUTSIDE_DATA to its folder)")
    return folder
