"""One static trial, stored by its laboratory both as TRC and as C3D: both readers give the same positions.

Data set "cycling-standing": R. Wilkinson, University of Queensland, repository moco-cycling-standing, Apache-2.0.
Axes after its README: trc = (Xc, Zc, −Yc).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fitwright.studio.markers import analyse_markers, named_landmarks, read_recording, rider_frame
from fitwright.vision.c3d_file import read_c3d, write_c3d
from fitwright.vision.marker_files import read_trc

TRIAL, STATIC = "subject01_standing_10_70.trc", "subject01_static"


@pytest.fixture(scope="module")
def folder(outside_data: Path) -> Path:
    path = outside_data / "cycling-standing"
    if not (path / f"{STATIC}.c3d").is_file():
        pytest.skip(f"no {STATIC}.c3d in {path}")
    return path


def test_static_trial_as_trc_and_as_c3d(folder: Path) -> None:
    c3d, trc = read_c3d(folder / f"{STATIC}.c3d"), read_trc(folder / f"{STATIC}.trc")
    order = [c3d.trajectories.names.index(n) for n in trc.trajectories.names]
    turned = c3d.trajectories.position_mm[:, order][:, :, [0, 2, 1]] * (1, 1, -1)
    assert np.abs(turned - trc.trajectories.position_mm).max() < 1e-3
    assert (c3d.rate_hz, trc.rate_hz) == pytest.approx((100, 100))
    assert c3d.notes == ()


def test_both_come_into_the_same_frame(folder: Path) -> None:
    """The axes are found from the rider, not told."""
    both = [
        rider_frame(named_landmarks(read_recording(folder / f"{STATIC}{e}").trajectories, e, whole=False))[0]
        for e in (".c3d", ".trc")
    ]
    for name in both[0].names:
        assert both[0].point(name) == pytest.approx(both[1].point(name), abs=1e-3)


def test_a_ride_stored_again_as_c3d_tells_the_same(folder: Path, tmp_path: Path) -> None:
    """The trial and its static trial, both as C3D, against the TRC."""
    for name in (TRIAL, f"{STATIC}.trc"):
        whole = read_trc(folder / name).trajectories
        (tmp_path / name).with_suffix(".c3d").write_bytes(write_c3d(whole, {}, {}))
    again = analyse_markers(tmp_path / TRIAL.replace(".trc", ".c3d"))
    first = analyse_markers(folder / TRIAL)
    assert again.ride.cycles == first.ride.cycles
    for side in ("left", "right"):
        for quantity in ("knee_flexion_deg", "ankle_plantarflexion_deg", "axle_under_foot"):
            for event, value in first.ride.quantities[side][quantity].items():
                assert again.ride.quantities[side][quantity][event].value == pytest.approx(
                    value.value, abs=2e-3
                )
