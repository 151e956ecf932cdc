"""The plan page as the practitioner uses it: ways, wishes, doing, feeling; what is wrong is told and stays."""

from __future__ import annotations

import re

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from fitwright.records.models import Answer, ChangeStep, Rating, Visit, Work
from fitwright.studio import doing, plan
from fitwright.studio.visits import answer
from ridden_visit import at_flexion, ride_it, typed_visit


@pytest.fixture
def high(studio) -> Visit:
    """A ride with the knee bent 26° at its straightest, and its plan."""
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    plan.make(visit)
    return Visit.objects.get(pk=visit.pk)


@pytest.fixture
def at_once(settings):
    """Tasks run where they are queued."""
    settings.TASKS = {"default": {"BACKEND": "django_tasks.backends.immediate.ImmediateBackend"}}


@pytest.fixture
def said(client):
    """Send a form of the page; give the page's text afterwards."""

    def send(visit: Visit, status: int = 302, **typed: str) -> str:
        sent = {k.replace("__", "."): v for k, v in typed.items()}
        got = client.post(reverse("plan", args=[visit.pk]), sent)
        assert got.status_code == status, got.content.decode()[:1500]
        return got.content.decode() if status != 302 else shown(client, visit)

    return send


def shown(client, visit: Visit) -> str:
    page = client.get(reverse("plan", args=[visit.pk]))
    assert page.status_code == 200
    return page.content.decode()


def change_of(visit: Visit) -> str:
    return str(plan.changes_of(Visit.objects.get(pk=visit.pk))[0].change.pk)


def test_three_ways_stand_beside_each_other_and_one_goes_on(client, said, high):
    text = shown(client, high)
    ways = re.findall(r'<article class="way.*?</article>', text, re.S)
    assert 2 <= len(ways) <= 3  # two that came to the same stand together
    assert sum("chosen</span>" in w for w in ways) == 1
    for way in ways:
        assert re.search(r"\d changes?, felt \d", way)
        assert re.search(r'<td class="num">(\d+|under 1) %</td><td class="num">(\d+|over 99) %</td>', way)
    other = next(w for w in ways if "chosen</span>" not in w)
    key = re.search(r'name="way" value="(\w+)"', other).group(1)
    after = said(high, action="choose", way=key)
    assert Answer.objects.get(key="taste").value == key
    wanted = re.findall(r"<li>(.*?)</li>", re.search(r"<ol>(.*?)</ol>", other, re.S).group(1))
    assert re.findall(r'<h3 id="c\d+">(.*?)</h3>', after) == wanted


def test_a_way_that_is_none_is_refused(said, high):
    assert "fewest, gentlest, middle" in said(high, 422, action="choose", way="cheapest")


def test_findings_say_the_chance_the_next_test_and_what_was_seen(client, high):
    text = shown(client, high)
    assert re.search(r'the chance to lie inside is <span class="num">(under 1|\d+) %', text)
    assert "To tell them apart: look at the sole pitch at the bottom" in text
    assert "It may come from:" in text
    assert "at the bottom the heel is carried" not in text  # this ride has no such value
    assert reverse("bands") + "?band=knee_in_line" in text


def test_each_change_says_what_to_measure_and_when_to_stop(client, high):
    text = shown(client, high)
    assert "Measure again: side view with the same stickers" in text
    assert "pain grows by 2 of 10, or comes where there was none" in text
    assert re.search(
        r"crank in line with the saddle line, right reads outside \d+ to \d+°: not as expected", text
    )


def test_done_with_its_value_and_plus_minus_then_asked_then_kept(client, said, high):
    pk = change_of(high)
    text = said(high, action="step", change=pk, state="done", actual="69,9 cm", pm="1 mm")
    step = ChangeStep.objects.get()
    assert (step.actual, round(step.u, 2)) == (699.0, 0.51)
    assert "measured <span" in text
    assert "699.0 ± 1.0 mm" in text
    assert "Ask now, after: lower the saddle" in text
    text = said(high, action="feel", step=str(step.pk), pain__knee_left="7", comfort__overall="3")
    assert {(r.kind, r.site, r.value) for r in Rating.objects.filter(moment="step")} == {
        ("pain", "knee_left", 7), ("comfort", "overall", 3)
    }  # fmt: skip
    assert "Knee, left: pain rose from 4 to 7 of 10" in text
    assert "Undo the last step (lower the saddle" in text
    assert "Pain, 10 is the worst" in text
    text = said(high, action="step", change=pk, state="undone")
    assert doing.done(Visit.objects.get(pk=high.pk)) == {}
    assert "Ask now, after: undone: lower the saddle" in text


def test_what_is_wrong_with_a_step_or_a_rating_is_told_and_stays(said, high):
    pk = change_of(high)
    text = said(high, 422, action="step", change=pk, state="done", actual="-6", pm="1", note="stiff")
    assert "is far from what was planned" in text
    assert 'value="-6"' in text
    assert 'value="stiff"' in text
    assert "is missing beside its ±" in said(high, 422, action="step", change=pk, state="done", pm="1")
    assert "nothing was done that could be kept" in said(high, 422, action="step", change=pk, state="kept")
    assert "nothing was said" in said(high, 422, action="feel", step="0")
    text = said(high, 422, action="feel", step="0", pain__knee_left="11", other__value="3", other__site="ear")
    assert "is not a rating" in text
    assert "choose where it is" in text
    assert "something was turned since" in said(high, 422, action="feel", step="77", comfort__overall="5")
    assert not ChangeStep.objects.exists()
    assert not Rating.objects.filter(moment="step").exists()


def test_planned_on_from_what_was_done(said, high, at_once):
    said(high, action="step", change=change_of(high), state="done", actual="699")
    text = said(high, action="make")
    assert Work.objects.last().state == "done"
    assert "Plan on from what was done" in text
    assert text.count('class="change"') == 1  # the one that was done; it is not asked for again
    assert "was turned already, so measure again first" in text or "No change is asked for" in text


def test_wishes_are_kept_told_and_taken_back(said, high):
    text = said(high, action="wishes", mode__hood_x_mm="keep", mode__hood_y_mm="keep", sure="90")
    assert "Now: keep the bars; inside with 90 %." in text
    assert "Nothing is wished yet" in said(high, action="unwish")
    text = said(
        high, 422, action="wishes", mode__saddle_height_mm="set", value__saddle_height_mm="70 stone", sure="9"
    )
    assert "“stone” is not a unit" in text
    assert 'value="70 stone"' in text
    assert "Allowed: 50 to 99 %" in text
    assert Answer.objects.filter(key="wishes").count() == 2


def test_keeping_everything_is_answered_in_clear_words(said, high, at_once):
    groups = ("Under each foot", "Saddle", "Hands", "Crank")
    kept: dict[str, str] = {}
    for group in groups:
        text = said(high, action="wishes", keep=group, **kept)
        kept = {
            f"mode__{n}": "keep"
            for n in re.findall(r'name="mode\.(\w+)"[^>]*>(?:(?!</select>).)*"keep" selected', text)
        }
    text = said(high, action="make")
    assert '<h2 id="ch">Nothing may be turned</h2>' in text
    assert "every part that would help is kept as it is by wish (saddle height, saddle setback)" in text
    assert "if it were free: lower the saddle" in text


def test_a_red_flag_leaves_only_what_was_done(client, said, high):
    said(high, action="step", change=change_of(high), state="done", actual="699")
    answer(high, "intake", "flag.weakness", "yes")
    text = shown(client, high)
    assert "Refer before fitting" in text
    assert "Three ways to the bands" not in text
    assert text.count('class="change"') == 1
    assert "No change is advised today" in said(high, 422, action="choose", way="middle")
    trial = client.get(reverse("bolt", args=[high.pk]), {"saddle_height_mm": "690"}).content.decode()
    assert "No change is advised today" in trial
    assert "is expected of" not in trial
    assert client.get(reverse("bolt_room", args=[high.pk])).content.strip() == b""


def test_a_plan_with_other_bands_than_the_studio_has_now_says_so(client, high):
    from fitwright.studio import bands

    assert "bands were changed since" not in shown(client, high)
    bands.save_band(
        bands.band("knee_in_line").texts | {"low": "31", "why": "ours", "who": "Nele"}, "knee_in_line"
    )
    assert "bands were changed since" in shown(client, high)


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_chosen_done_and_asked_by_keyboard(live_server, page: Page, high):
    page.goto(f"{live_server.url}{reverse('plan', args=[high.pk])}")
    button = page.get_by_role("button", name=re.compile("Go on with this one")).first
    button.focus()
    page.keyboard.press("Enter")
    expect(page.locator(".way.chosen")).to_have_count(1)
    page.get_by_label("Value measured on the bike").first.fill("699")
    page.keyboard.press("Tab")
    page.keyboard.type("1")
    page.keyboard.press("Enter")
    expect(page.locator(".step")).to_contain_text("699.0 ± 1.0 mm")
    page.locator('input[name="comfort.overall"][value="6"]').focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Keep what the rider says").press("Enter")
    expect(page.locator("table.felt")).to_contain_text("Comfort overall")


def test_a_trial_beyond_the_careful_step_says_so(client, high):
    text = client.get(reverse("bolt", args=[high.pk]), {"saddle_height_mm": "685"}).content.decode()
    assert "Saddle height: more than one visit&#x27;s careful step of 15 mm; split it over 2 visits" in text
    assert (
        "careful step"
        not in client.get(reverse("bolt", args=[high.pk]), {"saddle_height_mm": "690"}).content.decode()
    )


def test_a_flag_that_is_taken_back_lets_the_plan_be_made_again(client, said, high, at_once):
    answer(high, "intake", "flag.weakness", "yes")
    plan.make(high)
    assert 'value="make"' not in shown(client, high)
    answer(high, "intake", "flag.weakness", "no")
    text = shown(client, high)
    assert "A red flag stopped this plan, and it stands no more" in text
    assert "No change is asked for" not in text
    assert "Three ways to the bands" in said(high, action="make")
