"""Our body constants recomputed from the open sample.

Source: Gordon et al. 2014, 2012 Anthropometric Survey of U.S. Army Personnel, NATICK/TR-15/007 (public domain, work
of the United States Army); 4082 men, 1986 women. Tolerance 0.1 mm of a mean or SD, 0.0005 of a ratio.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from fitwright.body.reference import REFERENCE, place, span

COLUMNS = {
    "stature_mm": ("stature_mm",), "crotch_height_mm": ("crotchheight_mm",),
    "trochanter_height_mm": ("trochanterionheight_mm",), "foot_length_mm": ("footlength_mm",),
    "malleolus_height_mm": ("lateralmalleolusheight_mm",), "ball_of_foot_length_mm": ("balloffootlength_mm",),
    "foot_breadth_mm": ("footbreadthhorizontal_mm",), "heel_breadth_mm": ("heelbreadth_mm",),
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


@pytest.mark.parametrize("sex", ["M", "F"])
def test_published_means(sample, sex):
    """Means of the published tables (Gordon et al. 2014, listed in the data's README), mm, against percentile 50."""
    published = {
        "foot_length_mm": {"M": 271.2, "F": 246.3}, "ball_of_foot_length_mm": {"M": 200.9, "F": 182.1},
        "foot_breadth_mm": {"M": 101.9, "F": 92.7}, "heel_breadth_mm": {"M": 72.5, "F": 67.2},
        "stature_mm": {"M": 1756.2, "F": 1628.5},
    }  # fmt: skip
    for name, means in published.items():
        assert sample[sex][name].mean() == pytest.approx(means[sex], abs=0.06), name
        assert place(name, means[sex], sex).percentile == pytest.approx(50, abs=0.1), name


@pytest.mark.parametrize("sex", ["M", "F"])
def test_percentiles_and_the_edge_of_asking_back_hold_in_the_sample(sample, sex):
    """The normal puts 5 and 95 % within 2.5 points of the counted share (heel breadth is skewed)."""
    for name in (*COLUMNS, *RATIOS):
        x = (
            sample[sex][name]
            if name in COLUMNS
            else sample[sex][RATIOS[name][0]] / sample[sex][RATIOS[name][1]]
        )
        for z, share in ((-1.6449, 0.05), (1.6449, 0.95)):
            ref = REFERENCE[name][sex]
            assert np.mean(x <= ref.mean + z * ref.sd) == pytest.approx(share, abs=0.025), name
        low, high = span(name, sex)
        assert np.mean((x < low) | (x > high)) < 0.008, name


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
