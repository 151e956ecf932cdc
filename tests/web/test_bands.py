"""The studio's bands: listed by use, changed with a reason, refused when they are none, taken back."""

from __future__ import annotations

import pytest
from django.urls import reverse

from fitwright.plan.targets import TARGETS
from fitwright.records.models import Band
from fitwright.studio import bands

WHY = {"why": "our riders are happier here", "who": "Nele"}


def typed(ident: str, **changed: str) -> dict[str, str]:
    return bands.band(ident).texts | WHY | changed


@pytest.fixture
def save(client, studio):
    def post(ident: str = "knee_in_line", status: int = 302, **changed: str) -> str:
        sent = (typed(ident, **changed) if ident else WHY | changed) | {"action": "save", "band": ident}
        answer = client.post(reverse("bands"), sent)
        assert answer.status_code == status, answer.content.decode()[:2000]
        return answer.content.decode()

    return post


def test_every_band_is_listed_with_its_source(client, studio):
    text = client.get(reverse("bands")).content.decode()
    for t in TARGETS:
        assert t.label.replace("'", "&#x27;") in text
        assert t.population in text
    town = client.get(reverse("bands"), {"use": "town"}).content.decode()
    assert "50 to 60°" in town
    assert "50 to 60°" not in client.get(reverse("bands"), {"use": "road"}).content.decode()


def test_a_change_keeps_what_it_was_and_says_whose_numbers_they_are(save, client):
    save(low="32", high="38")
    now = bands.band("knee_in_line")
    assert (now.target.low, now.target.high, now.target.strength) == (32, 38, "practice")
    assert now.target.source.startswith(
        "this studio: our riders are happier here (published 30-40°: Ferrer-Roca"
    )
    newest, first = bands.history("knee_in_line")
    assert (newest.who, newest.why) == ("Nele", WHY["why"])
    assert newest.before.startswith("30 to 40°")
    assert newest.after.startswith("32 to 38°")
    assert first.why == "as published"
    save(low="31", high="38")
    assert Band.objects.filter(key="knee_in_line").count() == 2
    client.post(reverse("bands"), {"action": "restore", "band": "knee_in_line", "row": "0"} | WHY)
    assert bands.band("knee_in_line").target == bands.PUBLISHED["knee_in_line"]
    assert len(bands.history("knee_in_line")) == 4


@pytest.mark.parametrize(
    ("low", "high", "box", "said"),
    [
        ("40", "30", "high", "nothing lies in this band"),
        ("35", "35", "high", "nothing lies in this band"),
        ("35", "35.5", "high", "narrower than anything that can be measured"),
        ("-40", "20", "low", "outside the allowed range"),
        ("30", "400", "high", "outside the allowed range"),
        ("30 mm", "40", "low", "“mm” is not a unit it can be given in"),
        ("thirty", "40", "low", "is not a number"),
        ("", "40", "low", "is missing"),
    ],
)  # fmt: skip
def test_what_is_no_band_is_told_at_its_box(save, low, high, box, said):
    text = save(status=422, low=low, high=high)
    at_box = text.split(f'id="say-{box}"')[1].split("</p>")[0]
    assert said in at_box
    assert f'value="{low}"' in text  # what was typed stays
    assert not Band.objects.exists()


def test_who_and_why_are_asked(save):
    text = save(status=422, low="32", why="", who="")
    assert text.count("is missing") == 4  # each in the summary and at its box
    assert not Band.objects.exists()


def test_bands_that_exclude_each_other_are_told(save):
    own = {"quantity": "knee_flexion_deg.min", "state": "dynamic", "dimension": "2-D", "role": "target",
           "strength": "practice", "label": "Least knee flexion, ours"}  # fmt: skip
    text = save("", 422, low="45", high="50", **own)
    assert "two bands exclude each other" in text
    assert "the least of a turn is never above" in text
    save("", low="28", high="36", **own)
    double = save("", 422, low="30", high="36", **own)
    assert "speaks for" in double
    assert "own_least_knee_flexion_ours" in {b.ident for b in bands.bands()}


def test_a_band_for_one_use_goes_before_the_one_for_all(save):
    own = {"quantity": "knee_flexion_deg.crank_in_line", "state": "dynamic", "dimension": "2-D", "role": "target",
           "strength": "practice", "use.racing": "yes"}  # fmt: skip
    save("", low="41", high="46", **own)  # no overlap with 30 to 40: it stands in for it
    assert not bands.clashes_now()


def test_a_band_that_nothing_serves_is_shown_only(save):
    own = {
        "quantity": "elbow_flexion_deg.mean",
        "state": "dynamic",
        "dimension": "2-D",
        "strength": "practice",
    }
    assert "nothing that can be turned is known to serve it" in save(
        "", 422, low="15", high="40", role="target", **own
    )
    save("", low="15", high="40", role="describe", **own)


def test_put_away_and_used_again(client, studio):
    url = reverse("bands")
    no_reason = client.post(url, {"action": "retire", "band": "trunk_town", "why": "", "who": "Nele"})
    assert no_reason.status_code == 422
    assert "Why it is changed: is missing" in no_reason.content.decode()
    client.post(url, {"action": "retire", "band": "trunk_town"} | WHY)
    assert "trunk_town" not in {t.ident for t in bands.targets()}
    assert "Counts no more" in client.get(url).content.decode()
    client.post(url, {"action": "use", "band": "trunk_town"} | WHY)
    assert "trunk_town" in {t.ident for t in bands.targets()}


def test_addresses_that_are_none(client, studio):
    assert client.get(reverse("bands"), {"band": "nosuch"}).status_code == 400
    assert client.post(reverse("bands"), {"action": "save", "quantity": "height"}).status_code == 422
    assert client.get(reverse("bands"), {"use": "sofa"}).status_code == 200
