"""What the demo's hand takes from the finder and what it picks itself."""

import numpy as np
import pytest

from fitwright.demo import picking
from fitwright.vision.propose import GUESS, SURE, Proposed, SoleProposals

BY_HAND = {"heel_centre": (1, 1), "toe": (2, 2), "cleat_nose": (3, 3), "bolt_1": (4, 4), "bolt_2": (5, 5)}


def proposed(u, sure=SURE):
    return Proposed((u, u + 0.5), 0.1, "found", sure)


@pytest.fixture
def found(monkeypatch):
    def told(points, outline=()):
        edge = np.array(outline, float).reshape(-1, 2)
        what = SoleProposals("left", points, edge, edge, np.empty((0, 2)))
        monkeypatch.setattr(picking, "proposals_of", lambda *_: what)
        return picking.taken_or_picked(None, None, "left", BY_HAND)

    return told


def test_what_is_sure_is_taken_and_a_guess_is_picked_by_hand(found):
    points, origins, outline = found(
        {"toe": proposed(20), "cleat_nose": proposed(30, GUESS)}, [(0, 0), (1, 1)]
    )
    assert points["toe"] == (20, 20.5)
    assert (origins["toe"].how, origins["toe"].u_px) == ("proposed", 0.1)
    assert points["cleat_nose"] == (3, 3)
    assert origins["cleat_nose"].how == origins["heel_centre"].how == "hand"
    assert len(outline) == 2


def test_bolts_are_taken_only_when_all_were_found(found):
    points, origins, outline = found({"bolt_1": proposed(40)})
    assert points["bolt_1"] == (4, 4)
    assert origins["bolt_1"].how == "hand"
    assert outline is None
    points, _, _ = found({"bolt_1": proposed(40), "bolt_2": proposed(50)})
    assert points["bolt_2"] == (50, 50.5)


def test_what_nobody_asked_for_is_left_out(found):
    points, _, _ = found({"datum_4": proposed(60), "heel_inner": proposed(70)})
    assert "datum_4" not in points
    assert points["heel_inner"] == (70, 70.5)
