"""Find a browser for the tests, or install one; `make test` runs this before pytest.

Order: the program named by CHROME, then an installed Chromium or Chrome on PATH, then (as root on Debian or its
kin) the package `chromium`. Prints the program's path, or says in one line what to do and ends with 1.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
)
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
"""Start-up words for a browser that calls nobody."""


def find_browser() -> str | None:
    """Path of a browser that speaks the DevTools protocol, or None."""
    named = os.environ.get("CHROME")
    if named:
        return shutil.which(named)
    for name in NAMES:
        if path := shutil.which(name):
            return path
    return next((p for p in PLACES if Path(p).is_file()), None)


def install_browser() -> bool:
    """Install Debian's package when that is possible here."""
    if platform.system() != "Linux" or os.geteuid() != 0 or not shutil.which("apt-get"):
        return False
    quiet = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    commands = (
        ["apt-get", "-q", "update"],
        ["apt-get", "-q", "install", "-y", "--no-install-recommends", "chromium"],
    )
    return all(subprocess.run(c, env=quiet, check=False).returncode == 0 for c in commands)


def main() -> int:
    """Find or install; 0 when there is a browser."""
    path = find_browser()
    if path is None and not os.environ.get("CHROME") and install_browser():
        path = find_browser()
    if path is None:
        print(
            "The tests drive a browser and none was found. Install Chromium or Chrome, or name one: "
            "CHROME=/path/to/chrome make test",
            file=sys.stderr,
        )
        return 1
    print(f"browser: {path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
