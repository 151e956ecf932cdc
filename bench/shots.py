"""Pictures of the workbench: the README's, and a contact sheet of every page (`make shots`).

Serves a filled studio on a free port and looks at it with an installed browser. The README's picture goes to
docs/pictures, the contact sheet to bench/out (not committed).
"""

from __future__ import annotations

import argparse
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

REPO = Path(__file__).resolve().parents[1]
README_PICTURE = REPO / "docs" / "pictures" / "ride.png"
OUT = Path(__file__).with_name("out") / "shots"
STATIONS = ("intake", "body", "feet", "bike", "ride", "plan", "handover")
FEET = ("marks", "hardware", "setting", "clearance", "aid", "check")
PICKING = "a[href*='/feet/pick/'], a[href*='/body/hang/'], a[href*='/marks/pick/']"
LOOKS = {"light": (1440, "light"), "dark": (1440, "dark"), "tablet": (820, "light"), "phone": (390, "light")}


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


def contact_sheet(browser: Browser, base: str, visits: list[int], out: Path) -> int:
    """Every page of the visits in every look, whole; returns how many pictures were written."""
    out.mkdir(parents=True, exist_ok=True)
    written = 0
    for look, (width, scheme) in LOOKS.items():
        context = browser.new_context(viewport={"width": width, "height": 1000}, color_scheme=scheme)
        page = context.new_page()
        addresses = {"front": "/", "new rider": "/riders/new", "meet again": "/follow-ups"}
        for visit in visits:
            addresses[f"{visit} overview"] = f"/visits/{visit}/"
            addresses |= {f"{visit} {s}": f"/visits/{visit}/{s}" for s in STATIONS}
            addresses |= {f"{visit} feet {step}": f"/visits/{visit}/feet/{step}" for step in FEET}
            addresses |= loupes(page, base, visit)
        for name, address in addresses.items():
            page.goto(base + address)
            page.wait_for_load_state("networkidle")
            page.screenshot(path=out / f"{name.replace(' ', '-')}-{look}.png", full_page=True)
            written += 1
        context.close()
    return written


def loupes(page: Page, base: str, visit: int) -> dict[str, str]:
    """One photograph of each kind in which points are picked, by name; none where nothing was photographed."""
    found = {}
    for station in ("body", "feet", "feet/marks"):
        page.goto(f"{base}/visits/{visit}/{station}")
        link = page.locator(PICKING).first
        if link.count():
            found[f"{visit} {station.replace('/', ' ')} points"] = str(link.get_attribute("href"))
    return found


def visit_numbers(page: Page, base: str) -> list[int]:
    """The visits that the first page lists, oldest first."""
    page.goto(base)
    links = page.eval_on_selector_all("a[href*='/visits/']", "all => all.map(a => a.getAttribute('href'))")
    return sorted({int(m.group(1)) for link in links if (m := re.match(r"/visits/(\d+)/", link))})


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
    with served(given.studio.resolve()) as base, sync_playwright() as p:
        browser = p.chromium.launch(executable_path=path, args=list(QUIET))
        page = browser.new_page(viewport={"width": 1440, "height": 1000})
        visits = visit_numbers(page, base)
        readme_picture(page, base, visits[0], README_PICTURE)
        print(f"{README_PICTURE} ({README_PICTURE.stat().st_size // 1024} kB)")
        if not given.readme_only:
            print(f"{contact_sheet(browser, base, visits, OUT)} pictures in {OUT}")
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
