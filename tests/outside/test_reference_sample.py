"""Our body constants recomputed from the open sample.

Source: Gordon et al. 2014, 2012 Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007 (public domain, work
of the United States Army); 4082 men, 1986 women. Tolerance 0.1 mm of a mean or SD, 0.0005 of a ratio.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from fitwright.body.reference import REFERENCE

COLUMNS = {
    "stature_mm": ("stature_mm",), "crotch_height_mm": ("crotchheight_mm",),
    "trochanter_height_mm": ("trochanterionheight_mm",), "foot_length_mm": ("footlength_mm",),
    "malleolus_height_mm": ("lateralmalleolusheight_mm",), "ball_of_foot_length_mm": ("balloffootlength_mm",),
    "foot_breadth_mm": ("footbreadthhorizontal_mm",),
    "thigh_mm": ("trochanterionheight_mm", "lateralfemoralepicondyleheight_mm"),
    "shank_mm": ("lateralfemoralepicondyleheight_mm", "lateralmalleolusheight_mm"),
}  # fmt: skip
RATIOS = {
    "ball_to_foot_length": ("ball_of_foot_length_mm", "foot_length_mm"),
    "breadth_to_foot_length": ("foot_breadth_mm", "foot_length_mm"),
    "crotch_to_stature": ("crotch_height_mm", "stature_mm"), "thigh_to_shank": ("thigh_mm", "shank_mm"),
    "thigh_to_stature": ("thigh_mm", "stature_mm"), "shank_to_stature": ("shank_mm", "stature_mm"),
    "thigh_to_crotch": ("thigh_mm", "crotch_height_mm"), "shank_to_crotch": ("shank_mm", "crotch_height_mm"),
}  # fmt: skip


@pytest.fixture(scope="module")
def sample(outside_data) -> dict[str, dict[str, np.ndarray]]:
    path = outside_data / "anthropometry" / "ansur2_2012_subset.csv"
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    out = {}
    for sex in "MF":
        mine = [r for r in rows if r["sex"] == sex]
        raw = {c: np.array([float(r[c]) for r in mine]) for cs in COLUMNS.values() for c in cs}
        out[sex] = {k: raw[c[0]] - (raw[c[1]] if len(c) > 1 else 0) for k, c in COLUMNS.items()}
    return out


@pytest.mark.parametrize("sex", ["M", "F"])
def test_lengths(sample, sex):
    for name in COLUMNS:
        x, ours = sample[sex][name], REFERENCE[name][sex]
        assert x.mean() == pytest.approx(ours.mean, abs=0.1), name
        assert x.std(ddof=1) == pytest.approx(ours.sd, abs=0.1), name


@pytest.mark.parametrize("sex", ["M", "F"])
def test_ratios(sample, sex):
    for name, (top, bottom) in RATIOS.items():
        x, ours = sample[sex][top] / sample[sex][bottom], REFERENCE[name][sex]
        assert x.mean() == pytest.approx(ours.mean, abs=6e-4), name
        assert x.std(ddof=1) == pytest.approx(ours.sd, abs=6e-4), name


def test_sizes_and_every_constant_is_checked(sample):
    """4082 men and 1986 women; no constant escapes the checks above."""
    assert (sample["M"]["stature_mm"].size, sample["F"]["stature_mm"].size) == (4082, 1986)
    assert set(REFERENCE) == set(COLUMNS) | set(RATIOS)


def test_segment_priors_cover_the_sample(sample):
    """Thigh from inseam ± 2 u (the twin's prior without a tape) holds 95 % of these people, within 2 %."""
    from fitwright.body.measures import BodyMeasures, thigh_length

    for sex in "MF":
        s = sample[sex]
        held = []
        for stature, crotch, thigh in zip(s["stature_mm"], s["crotch_height_mm"], s["thigh_mm"], strict=True):
            m = thigh_length(BodyMeasures(float(stature), sex, inseam_mm=float(crotch)))
            held.append(abs(m.value - thigh) <= 1.96 * m.u)
        assert np.mean(held) == pytest.approx(0.95, abs=0.02)
