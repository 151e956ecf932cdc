"""Fixtures that every test may use."""

from __future__ import annotations

import os
import pickle
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.utils import translation
from hypothesis import settings as how_to_try

# How long one try takes is the machine's matter, and a busy one is no fault of the code.
how_to_try.register_profile("house", deadline=None)
how_to_try.load_profile("house")
os.environ["FITWRIGHT_STUDIO"] = tempfile.mkdtemp(
    prefix="fitwright-test-"
)  # before Django reads its settings
REPO = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def outside_data() -> Path:
    """Folder with the open data sets: FITWRIGHT_OUTSIDE_DATA, else `shared/data` beside the repository.

    The data is read where it lies and never copied; where it is absent the test skips and says why.
    """
    folder = Path(os.environ.get("FITWRIGHT_OUTSIDE_DATA") or REPO.parent / "shared" / "data")
    if not folder.is_dir():
        if os.environ.get("CI"):
            pytest.fail(f"CI must check against the open data, but {folder} is not there")
        pytest.skip(f"open data not found at {folder} (set FITWRIGHT_OUTSIDE_DATA to its folder)")
    return folder


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings_parallel_suffix, tmp_path_factory) -> None:
    """A database in a file, as every studio has it: one in memory is one connection for the test and for each thread
    of the server beside it, and their transactions get in each other's way."""
    from django.db import connection

    if connection.vendor == "sqlite":
        own = connection.settings_dict
        own["TEST"]["NAME"] = str(tmp_path_factory.mktemp("database") / "studio.sqlite3")
        own["OPTIONS"]["init_command"] = own["OPTIONS"]["init_command"].replace(
            "=FULL", "=OFF"
        )  # lost at the end


@pytest.fixture(autouse=True)
def own_language() -> Iterator[None]:
    """What a page of one test was asked for in is not spoken in the next."""
    yield
    translation.deactivate()


@pytest.fixture(autouse=True)
def own_media_folder(settings, tmp_path: Path) -> None:
    """Each test keeps its media in a folder of its own."""
    settings.MEDIA_ROOT = tmp_path / "media"


@pytest.fixture(scope="session")
def sole_photo():
    """A simulated photograph of an invented left sole (k1 = −0.05, tilted): scene, camera, picture. About 1 s."""
    from rendered_sole import Camera, Scene, photograph

    scene, camera = Scene(foot="left"), Camera(k1=-0.05, tilt_deg=(6.0, -4.0), shift_mm=(4.0, -7.0))
    return scene, camera, photograph(scene, camera)


@pytest.fixture(scope="session")
def sole_file(sole_photo, tmp_path_factory) -> Path:
    """The same picture as a PNG file."""
    from PIL import Image

    path = tmp_path_factory.mktemp("photo") / "sole-left.png"
    Image.fromarray(sole_photo[2]).save(path)
    return path


@pytest.fixture(scope="session")
def demo_studio(tmp_path_factory):
    """The whole demo, run once (see `demo_once`): a minute or more per rider, so only for tests marked `demo`.

    With several test processes the first that asks runs it and the others wait for it.
    """
    from demo_once import SECONDS, DemoStudio, make_demo_studio

    data = Path(os.environ.get("FITWRIGHT_OUTSIDE_DATA") or REPO.parent / "shared" / "data")
    worker = os.environ.get("PYTEST_XDIST_WORKER")
    shared = tmp_path_factory.getbasetemp().parent if worker else tmp_path_factory.mktemp("demo")
    folder, done = shared / f"demo-{SECONDS}s", shared / "demo.done"
    try:
        folder.mkdir()
    except FileExistsError:
        while not done.exists():
            time.sleep(1)
        told = pickle.loads(done.read_bytes())
        return told if isinstance(told, DemoStudio) else pytest.fail(f"the demo failed elsewhere: {told}")
    made: DemoStudio | str = "interrupted"
    try:
        made = make_demo_studio(folder, data if data.is_dir() else None)
    except BaseException as error:
        made = repr(error)
        raise
    finally:
        part = done.with_suffix(".part")
        part.write_bytes(pickle.dumps(made))
        part.replace(done)
    return made
