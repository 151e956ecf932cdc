"""What the archive has learnt, from recorded outcomes of invented riders."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from fitwright.cli.plan import app
from fitwright.linkage.learning import Pair, from_riders, updated
from fitwright.linkage.response import ResponseModel
from fitwright.quantity import Measured
from fitwright.studio.learnt import everybody, kept_intervals, response_for
from fitwright.studio.visits import analyse, new_rider, open_visit

pytestmark = pytest.mark.django_db


def pair(share: float) -> Pair:
    return Pair((-6.0, 0.0, 0.0, 0.0, 0.0), Measured(-6.0 * share, 1.4, "deg"))


def outcome(visit, *pairs: Pair, held: tuple[bool, ...] = (True,)) -> None:
    rows = [{"held80": h, "predicted": {"u": 1.0}} for h in held]
    analyse(visit, "outcome", "outcome", {"rows": rows, "pairs": [p.to_json() for p in pairs]})


def test_an_empty_archive_is_the_published_prior():
    visit = open_visit(new_rider("First"))
    assert response_for(visit) == ResponseModel()
    assert kept_intervals(simulated=False).of == 0


def test_other_riders_are_the_prior_and_earlier_visits_the_riders_own():
    others = [open_visit(new_rider(f"Other {k}")) for k in range(3)]
    for visit, share in zip(others, (0.7, 0.8, 0.75), strict=True):
        outcome(visit, pair(share))
    me = new_rider("Me")
    first = open_visit(me)
    outcome(first, pair(0.3))
    second = open_visit(me)
    outcome(second, pair(0.2))
    prior = from_riders([[pair(0.7)], [pair(0.8)], [pair(0.75)]])
    assert prior.share("knee_bottom").value > 0.5
    assert response_for(first) == prior  # what this visit measured may not judge its own prediction
    assert response_for(second) == updated(prior, [pair(0.3)])
    assert response_for(second, this_visit_too=True) == updated(prior, [pair(0.3), pair(0.2)])
    # a new outcome elsewhere is seen at once
    outcome(open_visit(new_rider("Late")), pair(0.9))
    assert (
        response_for(second).share("knee_bottom").value
        > updated(prior, [pair(0.3)]).share("knee_bottom").value
    )


def test_simulated_riders_teach_nothing_about_real_ones_and_corrected_outcomes_count_once():
    outcome(open_visit(new_rider("Robot", simulated=True)), pair(1.0), held=(False,) * 9)
    visit = open_visit(new_rider("Real"))
    outcome(visit, pair(0.6), held=(False,) * 5)
    outcome(visit, pair(0.6), held=(True, True, False))
    assert kept_intervals(simulated=False).words == "Of our last 3 predicted 80 % intervals, 2 held"
    assert kept_intervals(simulated=True).of == 9
    assert kept_intervals(simulated=False, last=2).held == 1
    assert everybody(simulated=False) == from_riders([[pair(0.6)]])


def test_outcomes_from_before_pairs_were_kept_do_no_harm():
    visit = open_visit(new_rider("Old"))
    analyse(visit, "outcome", "outcome", {"rows": [], "coverage": "", "response": {}})
    assert response_for(open_visit(new_rider("New"))) == ResponseModel()


def test_the_record_on_the_command_line():
    visit = open_visit(new_rider("Real"))
    outcome(visit, pair(0.7), held=(True, True, False))
    said = CliRunner().invoke(app, ["record", "--last", "2"])
    assert "Of our last 2 predicted 80 % intervals, 1 held." in said.stdout
    assert "(1 rider)" in said.stdout
    data = json.loads(CliRunner().invoke(app, ["record", "--json"]).stdout)
    assert (data["held"], data["of"]) == (2, 3)
    shares = data["response"]["shares"]
    assert sum(shares[f"{part}_bottom"]["value"] for part in ("knee", "ankle", "pelvis")) == pytest.approx(
        1.0
    )
    assert CliRunner().invoke(app, ["record", "--last", "0"]).exit_code == 2
