"""Pictures of the workbench: the README's, and a contact sheet of every page in every state (`make shots`).

Serves the demo's studio and one of `bench.states` on a free port and looks at them with an installed browser: light
and dark, wide and as narrow as a phone, and in German. The README's picture goes to docs/pictures, the rest to
bench/out/shots (not committed). A page that is blank, or that the server failed, ends the run.
"""

from __future__ import annotations

import argparse
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal
from urllib.error import URLError
from urllib.request import urlopen

import django
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from bench import contact

REPO = Path(__file__).resolve().parents[1]
README_PICTURE = REPO / "docs" / "pictures" / "ride.png"
OUT = Path(__file__).with_name("out") / "shots"
STATIONS = ("intake", "body", "feet", "bike", "ride", "plan", "handover")
LOOKS: dict[str, tuple[int, Literal["light", "dark"], str]] = {
    "light": (1280, "light", "en"), "dark": (1280, "dark", "en"), "light-390": (390, "light", "en"),
    "dark-390": (390, "dark", "en"), "german": (1280, "light", "de"),
}  # fmt: skip
WRONG = ".wrong, [role=alert], [aria-invalid=true]"
QUIET_NOW = """() => document.fonts.status === "loaded" && !document.querySelector(".htmx-request, .htmx-settling")
  && [...document.images].every((i) => i.complete)"""


class SpoiltError(Exception):
    """A picture that shows nothing, or not what it should."""


@dataclass(frozen=True)
class Screen:
    """One page in one state.

    Attributes:
        state: "empty", "begun" and so on. name: of the page. address: where it is.
        spoilt: box and what is typed there before the form is sent. first: done each time before the page is opened.
        status: what the server must answer.
    """

    state: str
    name: str
    address: str
    spoilt: tuple[str, str] | None = None
    first: Callable[[], None] | None = None
    status: int = 200

    @property
    def slug(self) -> str:
        """Name of its file, without the look."""
        return re.sub(r"\W+", "-", f"{self.state} {self.name}").strip("-")


def free_port() -> int:
    """A port that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(studio: Path) -> Iterator[str]:
    """The studio's address while it is served by `fitwright serve`."""
    port = free_port()
    command = [sys.executable, "-c", "from fitwright.cli.main import main; main()", "serve"]
    process = subprocess.Popen(
        [*command, "--studio", str(studio), "--port", str(port)], stdout=subprocess.DEVNULL,
        env={k: v for k, v in os.environ.items() if k != "FITWRIGHT_STUDIO"},
    )  # fmt: skip
    base = f"http://127.0.0.1:{port}"
    try:
        for _ in range(300):
            if process.poll() is not None:
                raise RuntimeError(f"the workbench ended with {process.returncode}")
            try:
                urlopen(base, timeout=5).close()
                break
            except (URLError, OSError):
                time.sleep(0.2)
        yield base
    finally:
        process.terminate()
        process.wait(timeout=20)


def readme_picture(page: Page, base: str, visit: int, path: Path) -> None:
    """The upper part of the Ride page, small enough to be committed."""
    page.goto(f"{base}/visits/{visit}/ride")
    page.wait_for_load_state("networkidle")
    shot = Image.open(
        BytesIO(page.screenshot(clip={"x": 0, "y": 0, "width": 1440, "height": 1180}, full_page=True))
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    shot.convert("RGB").quantize(96, dither=Image.Dither.NONE).save(path, optimize=True)


def take(page: Page, base: str, screen: Screen, path: Path) -> None:
    """One picture of a whole page. Raises SpoiltError when the server failed, or what is seen is blank or wrong."""
    if screen.first:
        screen.first()
    answer = page.goto(base + screen.address)
    if screen.spoilt:
        name, typed = screen.spoilt
        box = page.locator(f"main [name='{name}']").first
        box.evaluate("(box, typed) => { box.type = 'text'; box.value = typed; }", typed)
        with page.expect_navigation() as sent:
            box.evaluate(
                "box => { box.form.noValidate = true; HTMLFormElement.prototype.submit.call(box.form); }"
            )
        answer = sent.value
    status = answer.status if answer else 0
    if status >= 500 or (status != screen.status and not screen.spoilt):
        raise SpoiltError(f"{screen.slug}: {screen.address} answered {status}")
    if screen.spoilt and not page.locator(WRONG).count():
        raise SpoiltError(f"{screen.slug}: nothing says what is wrong")
    page.evaluate("document.querySelectorAll('img').forEach((i) => { i.loading = 'eager'; })")
    page.wait_for_function(QUIET_NOW)
    page.screenshot(path=path, full_page=True)
    if is_blank(path):
        raise SpoiltError(f"{screen.slug}: a blank page")


def is_blank(path: Path) -> bool:
    """Whether a picture has next to nothing on it: fewer than one pixel in 500 unlike the paper."""
    with Image.open(path) as picture:
        counts = picture.convert("L").histogram()
    return sum(counts) - max(counts) < sum(counts) / 500


def take_all(
    browser: Browser, base: str, screens: Iterable[Screen], out: Path, looks: Iterable[str] = LOOKS
) -> int:
    """Each screen in each look; returns how many pictures were written."""
    out.mkdir(parents=True, exist_ok=True)
    known, written = list(screens), 0
    for look in looks:
        width, scheme, language = LOOKS[look]
        context = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, locale=language
        )
        page = context.new_page()
        for screen in known:
            take(page, base, screen, out / f"{screen.slug}-{look}.png")
            written += 1
        context.close()
    return written


def main() -> int:
    """Take the pictures; 0 when all were taken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studio", type=Path, default=REPO / "demo-studio", help="a filled studio")
    parser.add_argument("--readme-only", action="store_true", help="leave the contact sheet out")
    given = parser.parse_args()
    if not (given.studio / "fitwright.sqlite3").is_file():
        print(f"There is no studio in {given.studio}. Run: make demo SERVE=0", file=sys.stderr)
        return 2
    sys.path.insert(0, str(REPO / "tests"))
    from browser import QUIET, find_browser

    path = find_browser()
    if path is None:
        print("No browser was found. Run: python tests/browser.py", file=sys.stderr)
        return 2
    with TemporaryDirectory() as folder, sync_playwright() as p:
        os.environ |= {
            "FITWRIGHT_STUDIO": folder, "DJANGO_SETTINGS_MODULE": "fitwright.settings",
            "DJANGO_ALLOW_ASYNC_UNSAFE": "true",  # the browser's driver runs an event loop beside the records
        }  # fmt: skip
        django.setup()
        from bench import states

        browser = p.chromium.launch(executable_path=path, args=list(QUIET))
        page = browser.new_page(viewport={"width": 1440, "height": 1000})
        with served(given.studio.resolve()) as base:
            readme_picture(page, base, states.visit_numbers(page, base)[0], README_PICTURE)
            print(f"{README_PICTURE} ({README_PICTURE.stat().st_size // 1024} kB)")
            if given.readme_only:
                return 0
            for old in OUT.glob("*.*"):
                old.unlink()
            count = take_all(browser, base, states.of_the_demo(page, base), OUT)
        with served(Path(folder)) as base:
            count += take_all(browser, base, states.empty(), OUT)
            count += take_all(browser, base, states.fill(), OUT)
            count += take_all(browser, base, states.under_way(), OUT)
        print(f"{count} pictures; all in {contact.index(OUT, LOOKS)} and {contact.sheet(OUT, LOOKS)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
