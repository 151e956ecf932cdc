"""Several studios keep their records in PostgreSQL: migrations and the search on a server."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from postgres import find_postgres, running

REPO = Path(__file__).resolve().parents[2]
HOW = """
from fitwright.records.models import Rider
from fitwright.records.names import called
from django.db import connection
Rider.objects.bulk_create(Rider(name=f"Rider {i:05d}", folded=f"rider {i:05d}") for i in range(20_000))
Rider.objects.create(name="Ångström Ødegård")
with connection.cursor() as cursor:
    cursor.execute("ANALYZE records_rider")
print([r.name for r in called(Rider.objects.all(), "odeg ANG")], connection.vendor)
print(called(Rider.objects.all(), "degard").explain())
"""


@pytest.fixture(scope="module")
def surroundings():
    """The environment of a process whose records lie in a PostgreSQL server of its own."""
    programs = find_postgres()
    if programs is None:
        say = pytest.fail if os.environ.get("CI") else pytest.skip
        say("no PostgreSQL here: run python tests/postgres.py")
    with running(programs) as address:
        plain = {k: v for k, v in os.environ.items() if not k.startswith("PYTEST_")}
        yield plain | {"DATABASE_URL": address, "DJANGO_SETTINGS_MODULE": "fitwright.settings"}


def run(surroundings: dict[str, str], *words: str) -> str:
    done = subprocess.run(
        [sys.executable, *words], cwd=REPO, env=surroundings, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]
    return done.stdout


def test_migrations_run_and_the_search_goes_by_its_index(surroundings):
    run(surroundings, "-m", "django", "migrate", "--verbosity", "0")
    told = run(surroundings, "-c", f"import django; django.setup()\n{HOW}")
    assert "['Ångström Ødegård'] postgresql" in told
    assert "records_rider_find" in told
    assert run(surroundings, "-m", "django", "makemigrations", "--check", "--dry-run")
