"""First setting and fitting aid in the browser's eyes: what is wished, undone, tried, printed."""

from __future__ import annotations

import re

import numpy as np
import pymupdf
import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.quantity import Measured
from fitwright.records.models import Answer, Shoes, Visit
from fitwright.sheets.fitting_aid import fitting_aid_pen
from fitwright.studio.feet import aid, setting, start_rules
from fitwright.studio.feet.hardware import save_system
from fitwright.studio.visits import analyse, open_visit

SYSTEM = {"bolts": "three-bolt", "float_in_deg": 4.5, "float_out_deg": 4.5, "stack_mm": 18.0}


def sole(foot: str, x: float = 186.4, psi: float = 7.0, **more: tuple[float, float]) -> SoleReading:
    u = np.diag([0.2, 0.2])
    places = {
        "heel_centre": (0.0, 0.0),
        "toe": (281.0, 0.0),
        "m1": (201.0, -38.0),
        "m5": (172.0, 44.0),
        **more,
    }
    marks = {name: SolePoint(*xz, u) for name, xz in places.items()}
    cleat = CleatPose(x, 2.0, psi, np.diag([0.09, 0.06, 0.04]), "sole photograph")
    return SoleReading(foot, marks, {}, cleat, Measured(281, 0.4, "mm"), {})


@pytest.fixture
def soles(filled: Visit) -> Visit:
    """Hanging feet of 6.8° and 11.2° from `filled`, both soles as they came, hardware known."""
    for side in ("left", "right"):
        analyse(filled, "sole", f"{side} before", sole(side).to_json())
    save_system(filled, "grey shoes", None, SYSTEM)
    return filled


@pytest.fixture
def at(soles):
    return reverse("feet_setting", args=[soles.pk])


def wish(visit: Visit, side: str = "left") -> setting.Wished:
    return setting.wished_of(Visit.objects.get(pk=visit.pk), side)


def text(page) -> str:
    return " ".join(re.sub(r"<[^>]*>", " ", page.content.decode()).split())


def test_an_empty_visit_is_told_what_to_do(client, visit):
    for name in ("feet_setting", "feet_aid"):
        page = client.get(reverse(name, args=[visit.pk]))
        assert page.status_code == 200
    assert "M1 and M5" in text(page) or "first setting" in text(page)


def test_the_rules_stand_beside_the_wish_with_their_sources(client, soles, at):
    told = text(client.get(at))
    expected = (
        "Silberman 2005, as cited in Chartogne 2016", "Van Sickle &amp; Hull 2007", "common practice, no source",
        "This is the wish", "Not distinguishable", "Needs the foot’s length (station Body)",
        "Needs a measured cleat of this rider on another pair or at an earlier visit",
    )  # fmt: skip
    for words in expected:
        assert words in told, words


def test_a_rule_is_taken_by_one_click_and_undone_by_another(client, soles, at):
    assert 'name="action" value="undo"' not in client.get(at).content.decode()
    for key in ("m1", "straight"):
        assert client.post(at, {"action": "rule", "foot": "left", "rule": key}).status_code == 302
    assert (wish(soles).place.fraction, wish(soles).yaw_deg) == (0.0, 0.0)
    assert wish(soles, "right").place.fraction == 0.5  # each foot for itself
    client.post(at, {"action": "undo", "foot": "left"})
    assert (wish(soles).place.fraction, wish(soles).yaw_deg) == (0.0, None)
    client.post(at, {"action": "undo", "foot": "left"})
    assert wish(soles).place.fraction == 0.5
    page = client.post(at, {"action": "undo", "foot": "left"})
    assert page.status_code == 422
    assert "no earlier wish" in text(page)


def test_undo_after_undo_and_a_new_wish_goes_back_to_what_was_seen_last(client, soles, at):
    for key in ("m1", "m5"):
        client.post(at, {"action": "rule", "foot": "left", "rule": key})
    client.post(at, {"action": "undo", "foot": "left"})
    client.post(at, {"action": "rule", "foot": "left", "rule": "behind_mm"})
    client.post(at, {"action": "undo", "foot": "left"})
    assert wish(soles).place.fraction == 0.0


def test_the_numbers_follow_the_wish(client, soles, at):
    typed = {
        "action": "set",
        "foot": "left",
        "wanted_lambda": "0,4",
        "lateral": "3",
        "yaw": "5",
        "why": "wide hips",
    }
    assert client.post(at, typed).status_code == 302
    start = setting.start_of(Visit.objects.get(pk=soles.pk), "left")
    point = np.array([201, -38]) + 0.4 * np.array([-29, 82])
    assert start.cleat.x_mm == pytest.approx(point[0] + (3 - point[1]) * np.tan(np.radians(5)))
    assert (start.cleat.z_mm, start.cleat.psi_deg) == (3.0, 5.0)
    assert "wide hips" in client.get(at).content.decode()
    client.post(at, {"action": "set", "foot": "left", "wanted_lambda": "0,4"})
    again = setting.start_of(Visit.objects.get(pk=soles.pk), "left")
    assert again.cleat.psi_deg == pytest.approx(6.83, abs=0.01)  # the hanging foot again


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"wanted_lambda": "2,2"}, "−0.5 to 1.5"),
        ({"wanted_lambda": "half"}, "not a number"),
        ({"yaw": "12"}, "needs its reason"),
        ({"yaw": "95", "why": "x"}, "−30 to 40°"),
        ({"lateral": "77"}, "−40 to 40 mm"),
    ],
)
def test_what_cannot_be_taken_stays_in_its_box(client, soles, at, typed, words):
    page = client.post(at, {"action": "set", "foot": "left", **typed})
    assert page.status_code == 422
    assert words in text(page)
    for value in typed.values():
        assert f'value="{value}"' in page.content.decode()
    assert not Answer.objects.filter(key__startswith="first_setting").exists()


@pytest.mark.parametrize(
    "typed",
    [
        {"action": "rule", "foot": "left", "rule": "none"}, {"action": "rule", "foot": "third", "rule": "m1"},
        {"action": "rule", "foot": "left", "rule": "last"}, {"action": "slide", "foot": "left", "slide": "nan"},
        {"action": "rule", "foot": "left", "rule": "behind_share"}, {"action": "behind", "behind_mm": "900"},
        {"action": "x"},
    ],
)  # fmt: skip
def test_nonsense_is_answered_in_one_line(client, at, soles, typed):
    page = client.post(at, typed)
    assert page.status_code == 422
    assert 'role="alert"' in page.content.decode()


def test_sliding_shows_without_keeping(client, at, soles):
    before = Answer.objects.count()
    page = client.get(at, {"foot": "left", "slide": "0.30"}, headers={"hx-request": "true"})
    assert page.status_code == 200
    assert "<html" not in page.content.decode()
    assert 'class="num">0.30' in page.content.decode()
    assert Answer.objects.count() == before
    kept = client.post(
        at, {"action": "slide", "foot": "left", "slide": "0.30"}, headers={"hx-request": "true"}
    )
    assert kept.status_code == 200
    assert wish(soles).place.fraction == 0.3


def test_a_rule_outside_the_line_tells_the_plan_its_nearer_end(client, at, soles):
    client.post(at, {"action": "rule", "foot": "left", "rule": "midfoot"})
    fresh = Visit.objects.get(pk=soles.pk)
    assert wish(soles).place.fraction is None
    assert setting.start_of(fresh, "left").fraction > 2
    assert setting.wanted_lambda(fresh, "left") == 1.0
    assert "cannot be bolted" in text(client.get(at))
    client.post(at, {"action": "set", "foot": "left", "lateral": "1"})  # an empty λ box leaves the rule
    assert wish(soles).rule == "midfoot"


def test_what_can_be_bolted_and_what_it_gives(client, at, soles):
    client.post(at, {"action": "rule", "foot": "left", "rule": "m1"})
    one = start_rules.foot_setting(Visit.objects.get(pk=soles.pk), "left")
    assert not one.near
    assert one.reachable.words.startswith(f"{one.reachable.missing[0]:.1f} mm short towards the toe")
    assert 0 < one.given.fraction.value < 0.5
    assert one.reachable.words in text(client.get(at))


def test_without_a_hanging_foot_the_yaw_is_marked_as_not_measured(client, visit):
    analyse(visit, "sole", "left before", sole("left").to_json())
    start = setting.start_of(visit, "left")
    assert (start.cleat.psi_deg, start.yaw.u) == (7.5, 5.0)
    for name in ("feet_setting", "feet_aid"):
        assert "Not measured: the yaw is that of feet in walking" in text(
            client.get(reverse(name, args=[visit.pk]))
        ).replace(" :", ":")


def test_the_last_position_comes_from_an_earlier_visit_and_another_sole(client, soles):
    """λ, rotation and the place beside M1–M5 are carried over to a sole whose marks lie elsewhere."""
    later = open_visit(soles.rider)
    moved = sole("left", m1=(206.0, -35.0), m5=(177.0, 47.0))
    analyse(later, "sole", "left before", moved.to_json())
    address = reverse("feet_setting", args=[later.pk])
    assert "As on" in text(client.get(address))
    assert client.post(address, {"action": "rule", "foot": "left", "rule": "last"}).status_code == 302
    start = setting.start_of(Visit.objects.get(pk=later.pk), "left")
    assert (start.cleat.x_mm, start.cleat.z_mm, start.cleat.psi_deg) == pytest.approx(
        (191.4, 5.0, 7.0), abs=0.02
    )


def test_another_pair_has_its_own_wish(client, at, soles):
    client.post(at, {"action": "set", "foot": "left", "wanted_lambda": "0.4", "lateral": "3"})
    second = Shoes.objects.create(rider=soles.rider, letter="B", name="indoor")
    Visit.objects.filter(pk=soles.pk).update(shoes=second)
    other = wish(soles)
    assert (other.place.fraction, other.z_mm) == (
        0.4,
        None,
    )  # λ is the rider's, the lateral setting the shoe's


def test_the_aid_says_the_steps_and_prints_what_it_shows(client, at, soles):
    client.post(at, {"action": "set", "foot": "left", "wanted_lambda": "0.45", "lateral": "3.5"})
    page = client.get(reverse("feet_aid", args=[soles.pk]))
    told = text(page)
    assert "From where it is now" in told
    assert re.search(r"Shift it \d\.\d mm", told)
    assert "as the part maker states" in told
    sheet = aid.paper_of(Visit.objects.get(pk=soles.pk))
    drawn = [fitting_aid_pen(sheet, side, "a4").svg() for side in ("left", "right")]
    assert all(svg in page.content.decode() for svg in drawn)
    pdf = client.get(reverse("document", args=[soles.pk, "fitting-aid"]))
    assert pdf["Content-Type"] == "application/pdf"
    pages = pymupdf.open(stream=pdf.content)
    assert len(pages) == 2
    words = " ".join(pages[0].get_text().split())
    assert all(" ".join(s.words.split()) in words for s in sheet.feet["left"].aid.steps)
    assert "Fitting aid, 1:1" in text(client.get(reverse("handover", args=[soles.pk])))


def test_the_old_imprint_is_a_place_to_start_from_too(client, soles):
    axis = np.array([np.cos(np.radians(7)), -np.sin(np.radians(7))])
    ends = {
        f"imprint_{k}": tuple(np.array([183.4, 2.0]) + d * axis) for k, d in (("nose", 34), ("tail", -34))
    }
    analyse(soles, "sole", "left before", sole("left", x=183.4, **ends).to_json())
    told = text(client.get(reverse("feet_aid", args=[soles.pk])))
    assert re.search(r"From the old imprint: move 3\.0 mm towards the toe", told)


def test_a_later_wish_goes_before_an_older_plan(client, at, soles):
    planned = CleatPose(180.0, 0.0, 3.0, np.eye(3) * 0.01).to_json()
    analyse(soles, "plan", "plan", {"wished_cleats": {"left": planned}, "findings": []})
    assert setting.target_of(Visit.objects.get(pk=soles.pk), "left").x_mm == 180.0
    client.post(at, {"action": "set", "foot": "left", "wanted_lambda": "0.5", "lateral": "2"})
    assert setting.target_of(Visit.objects.get(pk=soles.pk), "left").x_mm == pytest.approx(186.4, abs=1)


@pytest.mark.parametrize("name", ["feet_setting", "feet_aid"])
def test_a_page_asks_the_database_few_questions(client, soles, at, name, django_assert_max_num_queries):
    client.post(at, {"action": "rule", "foot": "left", "rule": "m1"})
    with django_assert_max_num_queries(20):
        assert client.get(reverse(name, args=[soles.pk])).status_code == 200


def test_an_unknown_paper_is_refused(client, soles):
    page = client.get(reverse("feet_aid", args=[soles.pk]), {"paper": "a3"})
    assert page.status_code in (400, 422)


def test_another_pair_of_this_visit_is_carried_over_too(client, soles):
    analyse(soles, "sole", "left after B", sole("left", x=180.0, psi=3.0).to_json())
    told = text(client.get(reverse("feet_setting", args=[soles.pk])))
    assert "As on pair B" in told
    assert re.search(r"6\.\d ± \d\.\d mm towards the heel, \d\.\d ± \d\.\d° less toe-out", told)


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_sliding_in_a_browser_answers_at_once_and_keeps_on_release(page: Page, live_server, soles):
    page.goto(live_server.url + reverse("feet_setting", args=[soles.pk]))
    slider = page.locator("#slide-left")
    slider.evaluate("s => { s.value = '0.30'; s.dispatchEvent(new Event('input', {bubbles: true})) }")
    expect(page.locator("#result-left")).to_contain_text("0.30")
    expect(page.locator("#lambda-left")).to_have_value("0.5")
    assert wish(soles).place.fraction == 0.5
    slider.evaluate("s => s.dispatchEvent(new Event('change', {bubbles: true}))")
    expect(page.locator("#lambda-left")).to_have_value("0.3")
    page.locator("#rule-left-m1").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#result-left")).to_contain_text("0.00")
    expect(page.locator("#rule-left-m1")).to_be_focused()
    page.locator("#undo-left").click()
    expect(page.locator("#lambda-left")).to_have_value("0.3")


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_on_a_phone_each_sole_is_drawn_by_itself_and_nothing_scrolls_sideways(page: Page, live_server, soles):
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(live_server.url + reverse("feet_setting", args=[soles.pk]))
    drawn = page.locator("#soles .narrow svg")
    expect(drawn).to_have_count(2)
    assert drawn.first.is_visible()
    assert not page.locator("#soles .roomy").is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    wider = "[...document.querySelectorAll('.drawing')].filter(e => e.scrollWidth > e.clientWidth + 1).length"
    assert page.evaluate(wider) == 0
    inside = """[...document.querySelectorAll('#soles .narrow text')].every((t) => {
      const [a, b] = [t.getBoundingClientRect(), t.closest('svg').getBoundingClientRect()];
      return a.left >= b.left - 1 && a.right <= b.right + 1;
    })"""
    assert page.evaluate(inside), "no name is cut"
