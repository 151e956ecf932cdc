"""How wide the feet stand."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.foot.frame import to_bike
from fitwright.foot.sole import CleatPose
from fitwright.foot.stance import pedal_out, sides_words, stance
from fitwright.quantity import Measured

Q, OFFSET, SPACER = Measured(148, 1.0, "mm"), Measured(53, 0.4, "mm"), Measured(4, 0.1, "mm")
CLEAT = CleatPose(186, 3.0, 8.0, np.diag([0.2, 0.3, 0.4]) ** 2)


def test_it_is_the_contact_points_own_number():
    bike = ContactPoints(700, 180, 470, 600, 172.5, 148, 53, spacer_left_mm=4)
    assert pedal_out(Q, OFFSET, SPACER).value == bike.pedal_out_mm("left") == 131


def test_the_foots_mid_line_crosses_the_axle_there():
    """Look for the point of the mid-line (z = 0) that lies over the axle, and ask where it stands."""
    foot = stance("left", pedal_out(Q, OFFSET, SPACER), CLEAT)
    line = np.column_stack([np.linspace(150, 220, 7001), np.zeros(7001)])
    placed = to_bike(line, CLEAT.vector[:2], CLEAT.psi_deg, foot.pedal_out.value)
    over = placed[np.argmin(np.abs(placed[:, 0]))]
    assert foot.foot_out.value == pytest.approx(over[1], abs=0.01)
    inward = stance("left", foot.pedal_out, CleatPose(186, 2.0, 8.0, CLEAT.covariance))
    assert inward.foot_out.value - foot.foot_out.value == pytest.approx(foot.per_cleat_mm)


def test_u_against_monte_carlo():
    rng = np.random.default_rng(2)
    n = 200_000
    out = rng.normal(148, 1, n) / 2 + rng.normal(53, 0.4, n) + rng.normal(4, 0.1, n)
    foot = out - rng.normal(3, 0.3, n) / np.cos(np.radians(rng.normal(8, 0.4, n)))
    told = stance("left", pedal_out(Q, OFFSET, SPACER), CLEAT)
    assert told.pedal_out.u == pytest.approx(out.std(), rel=0.01)
    assert told.foot_out.u == pytest.approx(foot.std(), rel=0.01)


def test_a_shared_q_does_not_hide_a_spacer_on_one_side():
    left, right = pedal_out(Q, OFFSET, Measured(0, 0.1, "mm")), pedal_out(Q, OFFSET, Measured(1.5, 0.1, "mm"))
    shared = np.hypot(0.5, 0.4)
    assert "cannot be told apart" in sides_words(left, right, "foot")
    assert "right foot stands 1.5 ± 0.3 mm further out" in sides_words(left, right, "foot", shared)


def test_absurd_numbers_are_named():
    with pytest.raises(InputError, match="q_factor_mm"):
        pedal_out(Measured(14.8, 1, "mm"), OFFSET, SPACER)
    assert stance("left", Measured(127, 1, "mm"), None).foot_out is None
