"""Records: how long the pages of a large studio take (simulated people: 10 000 riders, 60 000 visits)."""

from __future__ import annotations

import gzip
import json
import os
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import quote, urlsplit

import numpy as np

from bench import large_studio as large
from bench.measurement import Measurement, Row, Unavailable
from bench.simulated import REPO

USERS, ASKED_BY_EACH = 10, 30
SCRIPT_LIMIT_KB = 60
SEARCHES = (
    "edda",
    "mar",
    "hol tor",
    "ö",
    "sk",
    "ström",
    "мар",
    "ёл",
    "παπ",
    "مح",
    "בן",
    "王",
    "小明",
    "arje",
    "zzzz",
    "a",
    "lin jo",
)


def times() -> None:
    """In a process of its own, on the large studio: milliseconds of each kind of page, as JSON."""
    import django

    django.setup()
    from django.test import Client

    told = json.loads(Path(os.environ["FITWRIGHT_STUDIO"], "large.json").read_text("utf-8"))
    rng = np.random.default_rng(1)
    client = Client(headers={"host": "127.0.0.1"})
    script = Client(headers={"host": "127.0.0.1", "hx-request": "true"})
    deep = [f"/?after={n}" for n in rng.integers(1, told["riders"], 60)]
    visits = [f"/visits/{n}/" for n in rng.integers(1, told["visits"], 40)]
    riders = [f"/riders/{n}" for n in rng.integers(1, told["riders"], 40)]
    filmed_rider, filmed_visit = f"/riders/{told['filmed_rider']}", f"/visits/{told['filmed_visit']}/"
    asked: dict[str, tuple[Client, Sequence[str]]] = {
        "empty": (client, ["/riders/new"] * 200), "list": (client, ["/"] * 200), "deep": (client, deep),
        "search": (script, [f"/?q={quote(q)}" for q in SEARCHES * 12]),
        "rider": (client, riders), "filmed rider": (client, [filmed_rider] * 15),
        "visit": (client, visits), "filmed visit": (client, [filmed_visit] * 15),
    }  # fmt: skip
    spent, busy = {}, {}
    for name, what in asked.items():
        start = time.process_time()
        spent[name] = _spent(*what)
        busy[name] = 1000 * (time.process_time() - start) / (len(what[1]) + 1)
    print(json.dumps({"spent": spent, "busy": busy}))


def _spent(client: object, addresses: Sequence[str]) -> list[float]:
    """ms of each request, after one that is not counted."""
    get: Callable[[str], object] = client.get  # type: ignore[attr-defined]
    spent = []
    get(addresses[0])
    for address in addresses:
        start = time.perf_counter()
        answer = get(address)
        spent.append(1000 * (time.perf_counter() - start))
        if answer.status_code != 200:  # type: ignore[attr-defined]
            raise RuntimeError(f"{address}: {answer.status_code}")  # type: ignore[attr-defined]
    return spent


def pages() -> list[Row]:
    """What the server itself takes, without a network."""
    studio = large.large_studio()
    env = os.environ | {"FITWRIGHT_STUDIO": str(studio), "DJANGO_SETTINGS_MODULE": "fitwright.settings"}
    done = subprocess.run([sys.executable, "-c", "from bench.records import times; times()"], capture_output=True,
                          text=True, cwd=REPO, env=env, check=False)  # fmt: skip
    if done.returncode:
        raise RuntimeError(done.stderr.strip()[-400:])
    told = json.loads(done.stdout.splitlines()[-1])
    spent: dict[str, list[float]] = told["spent"]
    half = {name: statistics.median(ms) for name, ms in spent.items()}
    empty = half["empty"]
    return [
        Row("empty page, median", empty, "ms", "", "the form for a new rider, in the same run"),
        Row("list page, median", half["list"], "ms", "≤ 15"),
        Row("list page, 99 of 100", float(np.percentile(spent["list"], 99)), "ms", "≤ 40"),
        Row("list page against the empty page", half["list"] / empty, "×"),
        Row("list page, processor time", told["busy"]["list"], "ms", "", "mean; tells on a busy machine too"),
        Row("list page deep inside, median", half["deep"], "ms", "≤ 15", "the next page behind any rider"),
        Row("search, median", half["search"], "ms", "≤ 20", "pieces of names in six scripts, as typed"),
        Row("search, slowest", max(spent["search"]), "ms"),
        Row("search against the empty page", half["search"] / empty, "×"),
        Row("rider page, median", half["rider"], "ms", "", "about six visits"),
        Row("rider page, twelve filmed visits", half["filmed rider"], "ms"),
        Row("visit page, median", half["visit"], "ms", "", "34 measurements, no film"),
        Row("visit page, filmed", half["filmed visit"], "ms"),
    ]  # fmt: skip


def together() -> list[Row]:
    """Ten users at once through `fitwright serve` on loopback; they share this machine with the server."""
    from bench.shots import served

    studio = large.large_studio()
    told = json.loads((studio / "large.json").read_text("utf-8"))
    spent: list[float] = []
    with served(studio) as base:
        users = [threading.Thread(target=_user, args=(base, n, told, spent)) for n in range(USERS)]
        for user in users:
            user.start()
        for user in users:
            user.join()
    if len(spent) != USERS * ASKED_BY_EACH:
        raise RuntimeError(f"only {len(spent)} of {USERS * ASKED_BY_EACH} requests were answered")
    note = "list, search, rider and visit pages in turn, each user half a second of looking between them"
    return [
        Row("ten users at once, 95 of 100 requests", float(np.percentile(spent, 95)), "ms", "≤ 200", note),
        Row("ten users at once, median", statistics.median(spent), "ms"),
    ]


def _user(base: str, number: int, told: dict[str, int], spent: list[float]) -> None:
    """One user's hour in a minute: four kinds of pages in turn."""
    rng = np.random.default_rng(number)
    address = urlsplit(base)
    line = HTTPConnection(address.hostname or "", address.port or 0, timeout=30)
    for k in range(ASKED_BY_EACH):
        path = (
            "/", f"/?q={quote(str(rng.choice(SEARCHES)))}", f"/riders/{rng.integers(1, told['riders'])}",
            f"/visits/{rng.integers(1, told['visits'])}/",
        )[k % 4]  # fmt: skip
        time.sleep(float(rng.exponential(0.5)))
        start = time.perf_counter()
        line.request("GET", path, headers={"HX-Request": "true"} if "?q" in path else {})
        answer = line.getresponse()
        answer.read()
        if answer.status == 200:
            spent.append(1000 * (time.perf_counter() - start))
    line.close()


def scripts() -> list[Row]:
    """All scripts of the workbench, compressed as a server would send them."""
    import django_htmx

    from fitwright import web

    own = sorted((Path(web.__file__).parent / "static").glob("*.js"))
    htmx = Path(django_htmx.__file__).parent / "static" / "django_htmx" / "htmx-2.min.js"
    size = {p.name: len(gzip.compress(p.read_bytes(), 9)) / 1000 for p in (*own, htmx)}
    note = ", ".join(f"{name} {kb:.1f}" for name, kb in sorted(size.items(), key=lambda s: -s[1]))
    return [Row("all scripts, gzip", sum(size.values()), "kB", f"≤ {SCRIPT_LIMIT_KB}", note)]


PAINT = """
new Promise(done => {
  let shift = 0;
  new PerformanceObserver(list => { for (const e of list.getEntries()) shift += e.value; })
    .observe({ type: 'layout-shift', buffered: true });
  setTimeout(() => done([performance.getEntriesByName('first-contentful-paint')[0].startTime, shift]), 600);
})
"""


def first_paint() -> list[Row]:
    """A visit in a browser: until something is seen, and how much moves after that."""
    from playwright.sync_api import sync_playwright

    from bench.shots import served

    sys.path.insert(0, str(REPO / "tests"))
    from browser import QUIET, find_browser

    path = find_browser()
    if path is None:
        raise Unavailable("no browser was found (python tests/browser.py)")
    studio = large.large_studio()
    told = json.loads((studio / "large.json").read_text("utf-8"))
    seen = []
    with served(studio) as base, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=list(QUIET))
        for _ in range(7):
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            page.goto(f"{base}/visits/{told['filmed_visit']}/")
            seen.append(page.evaluate(PAINT))
            page.close()
        browser.close()
    return [
        Row("first paint of a visit", statistics.median(s[0] for s in seen[1:]), "ms", "≤ 300", "a filmed visit"),
        Row("layout shift after a visit was loaded", max(s[1] for s in seen), "", "≤ 0", "as the browser counts it"),
    ]  # fmt: skip


def records() -> list[Row]:
    """All of it."""
    size = Row(
        "measurements on record",
        large.MEASURED,
        "",
        "",
        f"simulated: {large.RIDERS} riders, {large.VISITS} visits, SQLite",
    )
    return [size, *pages(), *together(), *scripts(), *first_paint()]


MEASUREMENTS = (Measurement("records", "Records: a large studio", records),)
