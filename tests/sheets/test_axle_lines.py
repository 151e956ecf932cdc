"""Further axle lines on the soles: each where its pose says, names apart, both feet mirrored."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.sheets.sole_drawing import soles_svg

WIDTH = 690.0


@pytest.fixture
def drawn(sole, pose, svg):
    names = ("M1", "10 mm behind M1", "midway", "straight", "M5")
    poses = [
        replace(pose, x_mm=186.0 + d, psi_deg=psi) for d, psi in ((9, 9), (6, 9), (0, 9), (0.4, 0), (-9, 9))
    ]
    figures = [
        replace(sole(foot), cleat=None, start=pose, axles=tuple(zip(names, poses, strict=True)))
        for foot in ("left", "right")
    ]
    return poses, svg(soles_svg(figures, width=WIDTH))


def placed(root, names):
    """name → [(x, y, anchor)] of its texts, left foot first."""
    found = {n: [] for n in names}
    for t in root.findall(".//{*}text"):
        words = "".join(t.itertext())
        if words in found and t.get("fill", "").startswith("var(--ink-soft"):
            found[words].append((float(t.get("x")), float(t.get("y")), t.get("text-anchor") or "start"))
    return found


def test_names_stand_at_the_outer_edge_and_never_on_each_other(drawn):
    _, root = drawn
    found = placed(root, ("10 mm behind M1", "midway", "straight"))
    for places in found.values():
        (left, _, _), (right, _, _) = places
        assert left < WIDTH / 4 < 3 * WIDTH / 4 < right
    for foot in (0, 1):
        ys = sorted(p[foot][1] for p in found.values())
        assert np.diff(ys).min() >= 12


def test_the_cleat_s_own_axle_ends_before_the_names(drawn):
    _, root = drawn
    names = placed(root, ("10 mm behind M1", "midway", "straight"))
    own = [e for e in root.findall(".//{*}line") if e.get("stroke-dasharray") == "8 3"]
    assert len(own) == 2
    left_names = max(places[0][0] for places in names.values())
    right_names = min(places[-1][0] for places in names.values())
    for e in own:
        for x in (float(e.get("x1")), float(e.get("x2"))):
            assert left_names + 4 < x < right_names - 4


def test_left_and_right_mirror_each_other(drawn):
    _, root = drawn
    for (lx, ly, _), (rx, ry, _) in placed(root, ("midway", "straight")).values():
        assert (lx, ly) == pytest.approx((WIDTH - rx, ry), abs=0.05)


def test_a_line_has_the_slope_of_its_pose(drawn):
    """Across the sole an axle at ψ climbs tan ψ towards the toe on the outer side, whichever foot."""
    poses, root = drawn
    soft = [e for e in root.findall(".//{*}line") if e.get("stroke", "").startswith("var(--ink-soft")]
    thin = [e for e in soft if not e.get("stroke-dasharray")]
    slopes = []
    for e in thin:
        x1, y1, x2, y2 = (float(e.get(k)) for k in ("x1", "y1", "x2", "y2"))
        slopes.append(abs((y2 - y1) / (x2 - x1)))
    for psi in {p.psi_deg for p in poses}:
        expected = np.tan(np.radians(psi))
        count = sum(p.psi_deg == psi for p in poses)
        assert sum(abs(s - expected) < 0.002 for s in slopes) >= 2 * count
