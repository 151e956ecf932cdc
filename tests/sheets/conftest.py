"""An invented rider, and how to look into an SVG or a PDF."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pymupdf
import pytest

from fitwright.bike.contact import ContactPoints
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.linkage.twin import LegTwin
from fitwright.motion.ride import CycleCurve
from fitwright.quantity import Measured
from fitwright.sheets.callouts import Callout
from fitwright.sheets.rider_drawing import RiderFigure
from fitwright.sheets.sole_drawing import SoleFigure
from fitwright.sheets.strip import Reading

HOSTILE = "#let x = $1$ *bold* _it_ <script>alert(1)</script> \\ @ref `raw` 李雷 Łukasz Ψ \x07\ufffe "


@pytest.fixture
def leg() -> LegTwin:
    """The worked figures: 705 mm saddle, least flexion 33.80° at 172.9°."""
    c, s = -12 * math.cos(math.radians(300)), -12 * math.sin(math.radians(300))
    hip = 705 * np.array([-math.cos(math.radians(73.5)), math.sin(math.radians(73.5))]) + [10, 75]
    return LegTwin(405, 420, 125, 105, 172.5, float(hip[0]), float(hip[1]), 15, (c, 0.0), (s, 0.0))


@pytest.fixture
def contact() -> ContactPoints:
    return ContactPoints(705, 200, 628, 600, 172.5, 148, 53)


def _reading(value: float, u: float, unit: str, side: str = "both", state: str = "now") -> Reading:
    return Reading(side, Measured(value, u, unit, "simulated"), state)


@pytest.fixture
def reading():
    return _reading


@pytest.fixture
def callouts() -> tuple[Callout, ...]:
    r = _reading
    return (
        Callout("knee", "knee flexion, least", (r(35.1, 0.55, "deg", "left"), r(33.8, 0.55, "deg", "right")), "/k"),
        Callout("trunk", "trunk to horizontal", (r(44, 1, "deg"),)),
        Callout("axle", "axle under the foot, loaded", (r(0.46, 0.025, "1", "right"),)),
        Callout("saddle_height", "saddle height", (r(705, 0.6, "mm"),)),
        Callout("saddle_setback", "setback", (r(200, 0.8, "mm"),)),
        Callout("hood_x", "hood reach", (r(628, 1, "mm"),)), Callout("hood_y", "hood height", (r(600, 1, "mm"),)),
    )  # fmt: skip


@pytest.fixture
def rider(leg, contact, callouts) -> RiderFigure:
    return RiderFigure(leg=leg, contact=contact, shoulder_mm=(250, 1130), elbow_mm=(455, 860), hand_mm=(620, 628),
                       callouts=callouts)  # fmt: skip


@pytest.fixture
def knee_curve():
    """Knee flexion-like curve, 72 − 38 cos θ shifted so that the least value is at 180°."""

    def make(offset: float = 0.0, name: str = "knee_flexion", unit: str = "deg") -> CycleCurve:
        theta = np.deg2rad(np.arange(360.0))
        return CycleCurve(
            name, unit, 72 + offset + 38 * np.cos(theta), 2 + 0.5 * np.sin(theta), np.full(360, 0.5), 41
        )

    return make


@pytest.fixture
def pose() -> CleatPose:
    return CleatPose(186.4, 2.0, 9.0, np.diag([0.09, 0.06, 0.04]), "sole photograph with scale card")


@pytest.fixture
def mark():
    return lambda x, z, u=0.3: SolePoint(x, z, np.array([[u * u, 0.02], [0.02, 0.7 * u * u]]))


@pytest.fixture
def sole(pose, mark):
    def make(foot: str = "left", **more) -> SoleFigure:
        datums = {"datum_1": mark(202, 15), "datum_2": mark(163, 24), "datum_3": mark(164, -22)}
        return SoleFigure(foot, 281, m1=mark(201, -38), m5=mark(172, 44), cleat=pose, datums=datums, **more)

    return make


@pytest.fixture
def svg():
    """Parse an SVG, checking what every drawing owes: well-formed, role, title, description, no style."""

    def read(text: str) -> ET.Element:
        root = ET.fromstring(text)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root.get("role") == ("group" if root.findall(".//{*}a") else "img")
        title, desc = root[0], root[1]
        assert title.tag.endswith("title")
        assert (title.text or "").strip()
        assert desc.tag.endswith("desc")
        assert (desc.text or "").strip()
        assert not root.findall(".//{*}style")
        assert " style=" not in text
        return root

    return read


@pytest.fixture
def numbers():
    """(n, 2) points of a path's data."""

    def read(d: str) -> np.ndarray:
        return np.array([[float(a), float(b)] for a, b in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", d)])

    return read


@pytest.fixture
def hostile() -> str:
    return HOSTILE


@pytest.fixture
def opened():
    """Open a PDF, checking what every document owes: extractable text, every font embedded."""

    def read(pdf: bytes) -> pymupdf.Document:
        assert pdf.startswith(b"%PDF-")
        document = pymupdf.open(stream=pdf)
        for page in document:
            for xref, ext, _kind, name, *_ in page.get_fonts():
                assert ext != "n/a", f"{name} is not embedded"
                assert len(document.extract_font(xref)[3]) > 500
                assert "DejaVuSans" in name or "NotoSansCJK" in name
        return document

    return read


PAPERS = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}


@pytest.fixture(params=sorted(PAPERS))
def paper(request) -> str:
    return request.param


@pytest.fixture
def paper_size_mm(paper) -> tuple[float, float]:
    return PAPERS[paper]


@pytest.fixture
def grey():
    """A page as a grey picture at 600 dpi."""

    def render(page: pymupdf.Page, dpi: int = 600) -> np.ndarray:
        picture = page.get_pixmap(dpi=dpi, colorspace=pymupdf.csGRAY)
        return (
            np.frombuffer(picture.samples, np.uint8).reshape(picture.h, picture.stride)[:, : picture.w].copy()
        )

    return render


@pytest.fixture
def longest_upright_mm():
    """Length of the longest unbroken dark upright line right of `from_mm` in a picture at 600 dpi."""

    def measure(picture: np.ndarray, from_mm: float) -> float:
        best = 0
        for column in (picture[:, int(from_mm / 25.4 * 600) :] < 128).T:
            edges = np.flatnonzero(np.diff(np.concatenate([[0], column.astype(np.int8), [0]])))
            best = max(best, int(np.max(np.diff(edges)[::2], initial=0)))
        return best * 25.4 / 600

    return measure
