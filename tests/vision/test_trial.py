"""Where a lost marker is awaited by earlier turns, and the trial of what is taken for it."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.vision.awaited import NEAR_PX, OFF_CADENCE, Awaited, at_rest, by_the_clock
from fitwright.vision.past import Past, Paths
from fitwright.vision.trial import TRIAL_S, Trial

STEP_S, RPM, RADIUS_PX = 1 / 60, 90.0, 60.0
SPEED = RADIUS_PX * RPM / 60 * 2 * np.pi


def on_circle(t: np.ndarray, turned: float = 0.0, centre: float = 200.0) -> np.ndarray:
    phase = t * RPM / 60 * 2 * np.pi + turned
    return centre + RADIUS_PX * np.stack([np.sin(phase), np.cos(phase)], axis=-1)


def past(until_s: float, turned: float = 0.0, centre: float = 200.0) -> Past:
    t = np.arange(0, until_s + 1e-9, STEP_S)
    return Past(t, on_circle(t, turned, centre))


def by_others(lost: Past, *seen: Past) -> Awaited | None:
    paths = Paths(1 + len(seen))
    for i, p in enumerate((lost, *seen)):
        paths.remember(i, zip(p.time_s, p.uv_px, strict=True))
    told = paths.like_now(0, range(1, 1 + len(seen)), np.array([p.time_s[-1] for p in (lost, *seen)]))
    return None if told is None else Awaited(*told)


def test_other_markers_tell_where_a_lost_one_is_though_one_of_them_is_wrong():
    now, lost = 3.0, past(2.7)
    wrong = past(now, 0.4, 300.0)
    wrong.uv_px[-1] = wrong.uv_px[-20]  # mistaken for something just now
    there = by_others(lost, past(now, 1.0, 300.0), past(now, 2.0, 340.0), wrong)
    assert there is not None
    assert there.slack_s == 0.0
    assert there.uv_px == pytest.approx(on_circle(np.array(now)), abs=0.3)
    assert np.hypot(*there.speed) == pytest.approx(SPEED, rel=0.02)
    assert np.hypot(*there.bend) == pytest.approx(SPEED * RPM / 60 * 2 * np.pi, rel=0.02)


def test_a_marker_not_seen_in_earlier_turns_is_not_told():
    now, whole = 3.0, past(1.0)
    part = slice(24, 54)  # 0.4 to 0.9 s, between two of the moments like this one
    assert by_others(Past(whole.time_s[part], whole.uv_px[part]), past(now)) is None
    assert by_others(past(2.7)) is None
    assert by_others(past(2.7), Past(np.array([now]), on_circle(np.array([now])))) is None


def test_where_only_time_tells_the_marker_may_be_earlier_or_later_on_its_way_but_not_beside_it():
    now, lost = 3.0, past(2.7)
    there = by_the_clock(lost, lost.passes, now - 2.7)
    assert there is not None
    assert there.slack_s == pytest.approx(OFF_CADENCE * 0.3)
    along = there.speed / np.hypot(*there.speed)
    ahead = there.uv_px + 0.03 * there.speed
    assert there.late_s(ahead) == pytest.approx(0.03)
    assert there.off_px(ahead) == pytest.approx(0.0, abs=1e-9)
    assert there.off_px(there.uv_px + 15.0 * np.array([-along[1], along[0]])) > NEAR_PX


def test_one_that_rests_is_awaited_where_it_mostly_was():
    t = np.arange(0, 2, STEP_S)
    uv = np.tile([50.0, 60.0], (len(t), 1))
    uv[-3:] += 4.0
    there = at_rest(Past(t, uv))
    assert there.uv_px == pytest.approx([50.0, 60.0])


@pytest.mark.parametrize(("drift_px_per_s", "good"), [(0.0, True), (30.0, True), (200.0, False)])
def test_what_drifts_away_from_where_the_marker_is_awaited_is_not_it(drift_px_per_s: float, good: bool):
    """A path may differ from turn to turn, by 4 px here; what passes by differs ever more."""
    trial, verdicts = Trial(3.0, 2.7, on_circle(np.array(2.7)), past(2.7).passes, SPEED), []
    for k in range(12):
        now = 3.0 + k * STEP_S
        seen = past(now, 1.0, 300.0)
        told = by_others(past(2.7), seen)
        place = on_circle(np.array(now)) + np.array([4.0 + drift_px_per_s * (now - 3.0), 0.0])
        trial, ended, verdict = trial.seen(now, place, told, STEP_S)
        verdicts.append(verdict)
        if ended:
            break
    assert all(verdicts) == good
    assert now - 3.0 == pytest.approx(TRIAL_S, abs=2 * STEP_S) if good else now - 3.0 < 0.1


def test_a_moment_in_sight_is_no_proof_and_a_frame_without_it_no_end():
    trial = Trial(3.0, 2.7, np.zeros(2), [], SPEED)
    seen_s = 3.0 + STEP_S
    assert trial.lost(seen_s + STEP_S, seen_s, STEP_S) == (False, True)
    assert trial.lost(seen_s + 3 * STEP_S, seen_s, STEP_S) == (True, False)
    assert trial.lost(3.0 + 7 * STEP_S, 3.0 + 4 * STEP_S, STEP_S) == (True, True)
