"""Find a PostgreSQL server for the tests, or install one; `make test` runs this before pytest.

Order: `initdb` on PATH, then where Debian and its kin keep it, then (as root on Debian or its kin) the package
`postgresql`. Unlike a browser it is not required: a machine without one skips its tests, save in CI.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

DEBIAN = "/usr/lib/postgresql"
SERVANTS = ("postgres", "nobody")
"""Who runs the server when the tests are root's: PostgreSQL refuses to."""


def find_postgres() -> Path | None:
    """The folder with `initdb` and `pg_ctl`, the newest, or None."""
    if named := shutil.which("initdb"):
        return Path(named).resolve().parent
    folders = sorted(Path(DEBIAN).glob("*/bin"), key=lambda f: float(f.parent.name))
    return next((f for f in reversed(folders) if (f / "initdb").is_file()), None)


def install_postgres() -> bool:
    """Install Debian's package when that is possible here."""
    if platform.system() != "Linux" or os.geteuid() != 0 or not shutil.which("apt-get"):
        return False
    quiet = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    commands = (
        ["apt-get", "-q", "update"],
        ["apt-get", "-q", "install", "-y", "--no-install-recommends", "postgresql"],
    )
    return all(subprocess.run(c, env=quiet, check=False).returncode == 0 for c in commands)


@contextmanager
def running(programs: Path) -> Iterator[str]:
    """A server of its own in a folder of its own, on a Unix socket only; gives its DATABASE_URL.

    Raises CalledProcessError, with what the program said, when it does not start.
    """
    servant = _servant()
    # A socket's path has 107 letters at most: not below pytest's own, longer folder.
    with tempfile.TemporaryDirectory(prefix="fw-pg-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        if servant:
            shutil.chown(folder, servant)

        def run(*words: str) -> None:
            subprocess.run(words, check=True, user=servant, cwd=folder, stdout=subprocess.DEVNULL)

        data = str(folder / "data")
        control = (str(programs / "pg_ctl"), "-D", data, "-w")
        run(
            str(programs / "initdb"), "-D", data, "-U", "fitwright", "-A", "trust", "-E", "UTF8", "--no-sync",
            "--locale", "C.UTF-8",
        )  # fmt: skip
        options = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off"
        run(*control, "-l", str(folder / "log"), "-o", options, "start")
        try:
            yield f"postgresql://fitwright@{quote(str(folder), safe='')}/postgres"
        finally:
            run(*control, "-m", "immediate", "stop")


def _servant() -> str | None:
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return None
    import pwd  # not on every system

    known = {entry.pw_name for entry in pwd.getpwall()}
    return next(name for name in SERVANTS if name in known)


def main() -> int:
    """Find or install; always 0, with the reason when there is none."""
    folder = find_postgres()
    if folder is None and install_postgres():
        folder = find_postgres()
    print(
        f"postgresql: {folder or 'none was found; its tests skip (in CI they fail). Install PostgreSQL to run them'}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
