"""`fitwright plan` on riders and bikes at the edges, and with measures and bands that contradict each other.

Each is also sent through the page, which must say the same.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from django.urls import reverse
from typer.testing import CliRunner

from fitwright.records.models import Band, Studio, Visit
from fitwright.studio import bands, plan, wishes
from fitwright.studio.visits import answer
from ridden_visit import at_flexion, guess, ride_it, typed_visit

pytestmark = pytest.mark.django_db
SADDLE = "saddle_height_mm"


@pytest.fixture(autouse=True)
def studio(db, settings, tmp_path) -> Studio:
    settings.STUDIO_DIR = tmp_path / "studio"
    settings.TASKS = {"default": {"BACKEND": "django_tasks.backends.immediate.ImmediateBackend"}}
    return Studio.objects.create(pk=1, name="Werkstatt am Kanal")


@pytest.fixture
def page(client):
    """Make the plan on the page; give its text."""

    def make(visit: Visit, status: int = 302) -> str:
        address = reverse("plan", args=[visit.pk])
        sent = client.post(address, {"action": "make"})
        assert sent.status_code == status
        return (sent if status != 302 else client.get(address)).content.decode()

    return make


def high(least: float = 26.0, **typed: dict[str, str]) -> Visit:
    visit = typed_visit(**typed)
    return ride_it(visit, at_flexion(visit, least))


def size(height: int, crank: str = "172.5") -> dict[str, dict[str, str]]:
    """What is typed for a rider of this height on a bike to match."""
    inseam = round(0.468 * height)
    saddle = round(0.883 * inseam + (172.5 - float(crank)))
    return {
        "bike_typed": {
            SADDLE: str(saddle), "saddle_setback_mm": str(round(0.28 * saddle)), "crank_mm": crank,
            "hood_x_mm": str(round(0.27 * height)), "hood_y_mm": str(round(0.86 * saddle)),
        },
        "body_typed": {"height_mm": str(height), "inseam_mm": str(inseam)},
    }  # fmt: skip


@pytest.mark.parametrize(
    ("height", "crank"),
    [(1400, "150"), (2100, "180"), (1720, "140"), (1720, "180"), (1400, "140"), (2100, "140")],
)
def test_small_and_tall_riders_on_short_and_long_cranks(answered, page, height, crank):
    """A saddle far too high: it is lowered, by no more than one visit's careful step."""
    visit = high(24.0, **size(height, crank))
    told = answered("plan", "solve", visit.pk, "--json")
    (change,) = [c for c in told["changes"] if c["adjustable"] == SADDLE]
    assert -15 <= change["delta"] < 0
    knee = next(r for r in told["alternatives"][0]["reaches"] if r["acted"])
    assert knee["probability_then"] > knee["probability_now"]
    before = answered("plan", "whatif", visit.pk, "--set", "saddle_height=-5", "--json")["predictions"]
    least = next(p for p in before if p["id"] == "right.knee_flexion_deg.min")
    assert 0 < least["expected"]["value"] - least["now"]["value"] < 5
    assert "Lower the saddle" in page(visit)


def test_one_leg_25_mm_shorter_is_told_and_not_corrected(answered, page):
    visit = high(24.0, body_typed={"leg_length_difference_mm": "25"})
    told = answered("plan", "solve", visit.pk, "--json")
    (legs,) = [a for a in told["asymmetry"] if a.startswith("leg length")]
    assert "the left leg is shorter than the right by 25 ± 10 mm" in legs
    assert "told and not corrected" in legs
    assert not any("shim" in c["adjustable"] for c in told["changes"])
    text = page(visit)
    assert "The left leg is shorter" in text.replace("Leg length: the left", "Leg length: The left")
    assert text.index("Left and right") < text.index(
        "What to change, one at a time"
    )  # before it is corrected


def test_a_leg_that_cannot_reach_says_where_and_by_how_much(refused, page):
    visit = ride_it(typed_visit())
    from fitwright.studio import bike

    assert not bike.save_bike(visit, {SADDLE: "860"}).errors
    where = r"leg: cannot reach the pedal at crank angle \d+°: \d+\.\d mm short"
    assert re.search(where, refused("plan", "solve", visit.pk))
    assert re.search(where, page(visit, 422))


def test_a_wished_saddle_out_of_the_legs_reach_is_refused_with_its_angle(refused, page):
    visit = high(20.0)
    setting = plan.setting_now(visit)
    assert not wishes.save(visit, setting, {f"mode.{SADDLE}": "set", f"value.{SADDLE}": "764"}).errors
    where = r"leg: cannot reach the pedal at crank angle \d+°: \d+\.\d mm short"
    assert re.search(where, refused("plan", "solve", visit.pk))
    assert re.search(where, refused("plan", "whatif", visit.pk, "--set", "saddle_height=+59"))
    assert re.search(where, page(visit, 422))


def test_tape_against_film_names_both_numbers_and_what_to_measure_again(answered, page):
    """A filmed thigh that is 70 mm longer than the tape says."""
    visit = typed_visit(body_typed={"thigh_mm": "400", "shank_mm": "400"})
    leg = guess(visit)
    ride_it(visit, replace(leg, thigh_mm=leg.thigh_mm + 70, hip_y_mm=leg.hip_y_mm + 25))
    told = answered("plan", "solve", visit.pk, "--json")
    (thigh,) = [n for n in told["notes"] if n.startswith("twin, right: thigh: the film says")]
    numbers = re.search(r"the film says (\d+) mm, .*? (\d+) ± \d+ mm; measure again", thigh)
    assert int(numbers.group(1)) - int(numbers.group(2)) > 40
    assert numbers.group(0) in page(visit).replace("\u00a0", " ")  # a page keeps a ± with its numbers


def test_forbidden_everything(answered, page):
    visit = high()
    setting = plan.setting_now(visit)
    form = wishes.page(visit, setting)
    wishes.save(visit, setting, {f"mode.{r.field.name}": "keep" for g in form.groups for r in g.rows})
    told = answered("plan", "solve", visit.pk, "--json")
    assert told["changes"] == []
    assert told["blocked"].startswith("Nothing may be turned")
    assert "outside 30 to 40°; saddle height and saddle setback may not be touched" in told["unmet"][0]
    assert "Nothing may be turned" in page(visit)
    text = CliRunner().invoke(_app(), ["plan", "solve", str(visit.pk)]).stdout
    assert "Nothing may be turned" in text


def test_the_studios_bands_count_for_the_command(answered):
    visit = high(31.0)
    assert answered("plan", "solve", visit.pk, "--json")["changes"] == []
    own = bands.band("knee_in_line").texts | {"low": "38", "high": "48", "why": "ours", "who": "Nele"}
    assert not bands.save_band(own, "knee_in_line")[1]
    told = answered("plan", "solve", visit.pk, "--json")
    assert told["findings"][0]["band"] == [38, 48]
    assert [c["adjustable"] for c in told["changes"]] == [SADDLE]
    assert told["findings"][0]["strength"] == "practice"


def test_bands_that_exclude_each_other_or_are_empty_stop_the_plan(refused, page):
    """Rows that came past the form (an older copy of a studio) are told, with what to do."""
    visit = high()
    one = bands.PUBLISHED["knee_in_line"]
    Band.objects.create(key="own_x", data=replace(one, low=50, high=60, ident="own_x").to_json())
    line = refused("plan", "solve", visit.pk)
    assert "two bands exclude each other" in line
    assert "30-40°" in line
    assert "50-60°" in line
    assert "Change one of them, or put it away" in line
    assert "two bands exclude each other" in page(visit, 422)
    Band.objects.create(key="own_y", data=replace(one, low=40, high=30, ident="own_y").to_json())
    assert "the band is empty (got '40 to 30'); allowed: low below high" in refused("plan", "solve", visit.pk)


def test_a_step_larger_than_the_range_is_told(answered):
    """The saddle may move 0.4 mm either way: less than its step."""
    visit = high()
    wishes.answer(
        visit, "plan", "wishes", {"parts": {SADDLE: {"mode": "between", "low": 704.6, "high": 705.4}}}
    )
    told = answered("plan", "solve", visit.pk, "--json")
    assert "saddle height: no whole step of 1 mm fits into its range" in told["unmet"][0]


def test_values_of_another_method_are_not_compared(answered, page):
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0), method={"dimension": "2-D", "state": "dynamic"})
    for ident in ("knee_in_line", "knee_bottom_3d", "knee_bottom_static", "knee_least"):
        bands.put_away(ident, "tried", "Nele")
    own = {"quantity": "knee_flexion_deg.max", "low": "100", "high": "112", "state": "static", "dimension": "2-D",
           "role": "target", "strength": "practice", "why": "tried", "who": "Nele"}  # fmt: skip
    assert not bands.save_band(own)[1]
    (finding,) = answered("plan", "solve", visit.pk, "--json")["findings"]
    assert "no published conversion here" in finding["refused"]
    assert finding["probability_in"] == 0.0
    assert "Not compared" in page(visit)


def test_a_red_flag_stops_both_commands(answered, refused):
    visit = high()
    answer(visit, "intake", "flag.chest_or_fainting", "yes")
    told = answered("plan", "solve", visit.pk, "--json")
    assert told["changes"] == told["alternatives"] == []
    assert "Please be seen by a doctor today" in told["stopped"]
    assert "No change is advised today" in refused("plan", "whatif", visit.pk, "--set", "saddle_height=-5")


def test_a_way_is_chosen_and_the_text_tells_everything(answered, refused):
    visit = high()
    assert answered("plan", "solve", visit.pk, "--way", "middle", "--json")["settings"]["taste"] == "middle"
    assert "allowed: fewest, gentlest, middle" in refused("plan", "solve", visit.pk, "--way", "cheap")
    text = CliRunner().invoke(_app(), ["plan", "solve", str(visit.pk)]).stdout
    for words in (
        "Ways to the bands",
        "% inside",
        "Changes, one at a time (middle)",
        "then measure again: ",
        "stop when pain grows",
    ):
        assert words in text


def _app():
    from fitwright.cli.main import build

    return build()
