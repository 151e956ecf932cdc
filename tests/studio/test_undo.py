"""Undo and redo on rows that are never erased: every stack of saves comes back to where it began."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.records.models import Answer, Edit, Measurement, Position, Rating, Visit
from fitwright.studio import bike, body, followups, handover, intake, undo
from fitwright.studio.edits import tops
from fitwright.studio.visits import answers, hold, measured, new_rider, open_visit

pytestmark = pytest.mark.django_db
WHOLE = {
    "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
    "crank_mm": "172,5", "q_factor_mm": "148", "pedal_offset_mm": "53",
}  # fmt: skip


@pytest.fixture
def visit() -> Visit:
    return open_visit(new_rider("Rosa Lind"))


def state(visit: Visit) -> tuple[object, ...]:
    """Everything typed that stands now."""
    numbers = {(m.station, m.key): m.value for m in Measurement.objects.current().filter(visit=visit)}
    said = {
        (a.station, a.key): a.value
        for a in Answer.objects.current().filter(visit=visit)
        if a.value is not None
    }
    felt = {(r.kind, r.site): r.value for r in Rating.objects.current().filter(visit=visit)}
    return numbers, said, felt


def back(visit: Visit) -> str:
    return undo.undo(visit, tops(visit).undo.pk)


def forth(visit: Visit) -> str:
    return undo.redo(visit, tops(visit).redo.pk)


def test_undo_writes_the_former_value_again_and_says_so(visit):
    bike.save_bike(visit, {"saddle_height_mm": "705"})
    bike.save_bike(visit, {"saddle_height_mm": "712"})
    assert back(visit) == "Undone, Bike: saddle height is 705.0 ± 2.0 mm again (was 712.0 ± 2.0 mm)."
    assert measured(visit, "bike")["saddle_height_mm", ""].value == 705
    assert back(visit) == "Undone, Bike: saddle height is empty again (was 705.0 ± 2.0 mm)."
    assert ("saddle_height_mm", "") not in measured(visit, "bike")
    assert forth(visit) == "Done again, Bike: saddle height is 705.0 ± 2.0 mm again (was empty)."
    assert forth(visit).startswith("Done again, Bike: saddle height is 712")
    rows = list(Measurement.objects.filter(key="saddle_height_mm").order_by("pk"))
    assert [r.value for r in rows if not r.withdrawn] == [705, 712, 705, 705, 712]
    assert all(later.replaces == earlier for earlier, later in pairwise(rows))


SAVES = (
    (bike.save_bike, {"crank_mm": "170"}), (bike.save_bike, {"crank_mm": "172,5"}),
    (bike.save_bike, {"saddle_height_mm": "700", "hood_x_mm": "480"}),
    (intake.save_intake, {"goal": "far"}), (intake.save_intake, {"goal": ""}),
    (intake.save_intake, {"use": "gravel"}),
    (intake.save_intake, {"consent": "yes"}), (intake.save_intake, {"consent": "no"}),
    (intake.save_intake, {"pain.neck": "3"}), (intake.save_intake, {"pain.neck": "0", "flag.night": "no"}),
    (body.save_body, {"hanging_foot_left": "6 7 8"}), (body.save_body, {"hanging_line": "bare"}),
)  # fmt: skip


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.lists(st.integers(0, len(SAVES) - 1), min_size=1, max_size=6), steps=st.integers(1, 6))
def test_as_many_undos_as_saves_lead_back_through_the_same_states_and_redos_forth(order, steps):
    visit = open_visit(new_rider("Rosa Lind"))
    states, count = [state(visit)], 0
    for k in order:
        save, typed = SAVES[k]
        save(visit, typed)
        if Edit.objects.filter(visit=visit).count() > count:
            count += 1
            states.append(state(visit))
    steps = min(steps, count)
    for n in range(steps):
        back(visit)
        assert told(state(visit)) == told(states[count - 1 - n])
    for n in range(steps):
        forth(visit)
        assert told(state(visit)) == told(states[count - steps + 1 + n])
    assert tops(visit).redo is None


def told(found: tuple[object, ...]) -> object:
    """What a person would see: an empty text is nothing."""
    numbers, said, felt = found
    return numbers, {k: v for k, v in said.items() if v != ""}, felt


def test_a_new_save_forgets_what_could_be_redone(visit):
    bike.save_bike(visit, {"crank_mm": "170"})
    back(visit)
    bike.save_bike(visit, {"crank_mm": "165"})
    assert tops(visit).redo is None
    with pytest.raises(InputError, match="nothing to redo"):
        undo.redo(visit, 1)


def test_another_window_that_saved_meanwhile_is_not_undone_unseen(visit):
    bike.save_bike(visit, {"crank_mm": "170"})
    seen = tops(visit).undo.pk
    other = Visit.objects.get(pk=visit.pk)
    intake.save_intake(other, {"goal": "from the other window"})
    with pytest.raises(InputError, match="something else was saved"):
        undo.undo(visit, seen)
    assert answers(visit, "intake")["goal"] == "from the other window"


def test_a_value_measured_anew_by_other_means_is_left_and_the_one_before_can_be_undone(visit):
    from fitwright.quantity import Measured
    from fitwright.studio.visits import measure

    bike.save_bike(visit, {"crank_mm": "170"})
    bike.save_bike(visit, {"saddle_height_mm": "705"})
    measure(visit, "bike", "saddle_height_mm", Measured(710, 1, "mm", "from the photograph"))
    assert "stays 710.0 ± 2.0 mm" in back(visit)
    assert measured(visit, "bike")["saddle_height_mm", ""].value == 710
    assert "crank length is empty again" in back(visit)


def test_what_follows_from_a_field_follows_it_back(visit):
    intake.save_intake(visit, {"use": "gravel", "consent": "yes"})
    visit.rider.refresh_from_db()
    assert visit.rider.consent_at is not None
    back(visit)
    visit.rider.refresh_from_db()
    assert visit.rider.consent_at is None
    bike.save_bike(visit, WHOLE)
    bike.save_bike(visit, {"saddle_height_mm": "720"})
    back(visit)
    assert Position.objects.filter(visit=visit).last().data["contact_points"]["saddle_height_mm"] == 705
    body.save_body(visit, {"hanging_foot_left": "6 7 8"})
    sure = measured(visit, "body")["hanging_foot_deg", "left"].u
    body.save_body(visit, {"hanging_line": "bare"})
    back(visit)
    assert measured(visit, "body")["hanging_foot_deg", "left"].u == pytest.approx(sure)


def test_the_follow_up_day_and_the_notes_are_undone_too(visit):
    handover.save_follow_up(visit, "2999-01-01")
    handover.save_notes(visit, "stretch")
    back(visit)
    assert not answers(visit, "handover")["notes"]
    back(visit)
    visit.refresh_from_db()
    assert visit.follow_up_on is None
    forth(visit)
    visit.refresh_from_db()
    assert visit.follow_up_on.year == 2999
    assert not followups.due_list().empty


def test_a_held_page_reads_the_stacks_once(visit, django_assert_num_queries):
    bike.save_bike(visit, {"crank_mm": "170"})
    hold(visit)
    with django_assert_num_queries(1):
        assert tops(visit).undo is tops(visit).undo
