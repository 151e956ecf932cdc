"""A lost spell is mended by one correction, and the result before it comes back when it is taken back. Simulated."""

from __future__ import annotations

import numpy as np
import pytest

from counted_film import lay_marked, places, write_film
from fitwright.errors import InputError
from fitwright.records.models import Analysis, Visit, Work
from fitwright.studio import bike, corrections, mend, ride
from fitwright.studio.visits import analysis, answers, new_rider, open_visit
from fitwright.vision.tracks import Tracks

pytestmark = pytest.mark.django_db
TIMES_S = np.arange(216) / 60
POINT, HIDDEN_S = "lateral_malleolus", (1.6, 1.8)
AT = places(TIMES_S)


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    return write_film(tmp_path_factory.mktemp("film") / "film.mp4", TIMES_S, hidden={POINT: HIDDEN_S})


@pytest.fixture
def visit(film) -> Visit:
    opened = open_visit(new_rider("Rosa Lind"))
    assert not bike.save_bike(opened, {"crank_mm": "172.5"}).errors
    lay_marked(opened, film, TIMES_S)
    ride.analyse_film(opened, "side right", "before")
    return opened


def row(visit: Visit) -> Analysis:
    found = analysis(visit, "ride", "side right before")
    assert found is not None
    return found


def spoiled(visit: Visit) -> Analysis:
    """The record with 20 frames of the ankle 30 px off, as a wrong following leaves them."""
    was = row(visit)
    result = was.result
    for k in range(60, 80):
        result["tracks"]["points"][POINT]["u"][k] += 30.0
    return Analysis.objects.create(visit=visit, kind="ride", label=was.label, result=result, inputs=was.inputs,
                                   medium=was.medium, program_version=was.program_version, replaces=was)  # fmt: skip


def off_px(found: Analysis) -> np.ndarray:
    tracks = Tracks.from_json(found.result["tracks"])
    return np.linalg.norm(tracks.upright_px[:, tracks.names.index(POINT)] - AT[POINT], axis=1)


def test_one_correction_mends_a_wrong_spell_and_is_taken_back(visit: Visit):
    wrong = spoiled(visit)
    assert off_px(wrong)[60:80].min() > 25
    at = AT[POINT][70]
    told = corrections.correct(
        visit, "side right", "before", POINT, TIMES_S[70], (at[0] + 1, at[1] - 1), wrong.pk
    )
    mended = row(visit)
    assert "followed again" in told
    assert off_px(mended)[60:80].max() < 0.5
    assert [c["name"] for c in mend.of(mended)] == [POINT]
    knee = mended.result["ride"]["curves"]["right"]["knee_flexion"]["mean"]
    assert (
        np.abs(np.array(knee) - wrong.result["ride"]["curves"]["right"]["knee_flexion"]["mean"]).max() < 1.0
    )
    assert any("put right by hand" in n for n in mended.result["ride"]["notes"])
    assert Work.objects.get(visit=visit, kind="repair").state == "done"

    corrections.take_back(visit, "side right", "before", mended.pk)
    back = row(visit)
    assert back.result == wrong.result
    assert mend.of(back) == []
    assert Analysis.objects.filter(visit=visit, kind="ride").count() == 4  # nothing was erased


def test_two_corrections_are_taken_back_one_by_one(visit: Visit):
    for k in (40, 150):
        corrections.correct(
            visit, "side right", "before", POINT, TIMES_S[k], tuple(AT[POINT][k]), row(visit).pk
        )
    assert len(mend.of(row(visit))) == 2
    corrections.take_back(visit, "side right", "before", row(visit).pk)
    assert [round(c["time_s"], 3) for c in mend.of(row(visit))] == [round(float(TIMES_S[40]), 3)]
    corrections.take_back(visit, "side right", "before", row(visit).pk)
    assert mend.of(row(visit)) == []
    with pytest.raises(InputError, match="none to take back"):
        corrections.take_back(visit, "side right", "before", row(visit).pk)


def marked_again(visit: Visit, k: int, without: str = "") -> None:
    at = {n: [float(x) for x in uv[k]] for n, uv in AT.items() if n != without}
    ride.save_marks(visit, "side right", "before", {"time_s": float(TIMES_S[k]), "points": at})
    ride.analyse_film(visit, "side right", "before")


def by_hand(visit: Visit) -> np.ndarray:
    """The ankle, pointed at where it is covered, and another one after that; its place in the covered frame."""
    for k in (102, 150):
        corrections.correct(
            visit, "side right", "before", POINT, float(TIMES_S[k]), tuple(AT[POINT][k]), row(visit).pk
        )
    return AT[POINT][102]


def test_points_marked_again_keep_what_was_put_right(visit: Visit):
    """Each correction is on record by itself, over the new points, and can be taken back."""
    by_hand(visit)
    marked_again(visit, 45)
    now = row(visit)
    assert [round(c["time_s"], 3) for c in mend.of(now)] == [1.7, 2.5]
    assert now.inputs["marks"]["time_s"] == TIMES_S[45]
    assert off_px(now)[102] < 1.0
    for left in (1, 0):
        corrections.take_back(visit, "side right", "before", row(visit).pk)
        assert len(mend.of(row(visit))) == left
        assert row(visit).inputs["marks"]["time_s"] == TIMES_S[45]
    assert np.isnan(off_px(row(visit))[102])


def test_a_correction_waits_while_its_point_is_not_marked(visit: Visit):
    by_hand(visit)
    marked_again(visit, 45, without=POINT)
    now = row(visit)
    assert mend.of(now) == []
    assert [c["name"] for c in now.inputs[mend.WAITING]] == [POINT, POINT]
    assert any("laid again once the point is marked" in n for n in now.result["ride"]["notes"])
    marked_again(visit, 45)
    assert len(mend.of(row(visit))) == 2
    assert row(visit).inputs[mend.WAITING] == []
    assert off_px(row(visit))[102] < 1.0


@pytest.mark.parametrize(
    ("name", "uv", "older", "words"),
    [("nose", (100, 100), 0, "not a point of this film"), (POINT, (700, 100), 0, "outside the picture"),
     (POINT, (100, 100), 1, "read anew since")],
)  # fmt: skip
def test_what_cannot_be_corrected_changes_nothing(visit: Visit, name, uv, older, words):
    now = row(visit)
    with pytest.raises(InputError, match=words):
        corrections.correct(visit, "side right", "before", name, 1.0, uv, now.pk - older)
    assert row(visit).pk == now.pk


def test_tracks_come_back_from_their_record(visit: Visit):
    told = row(visit).result["tracks"]
    again = Tracks.from_json(told).to_json()
    assert again == told


GUESS_OFF_PX = np.array([0.0, -34.0])


@pytest.fixture
def guessed(film) -> Visit:
    """The same film, the ankle guessed beside its marker and followed as a guess."""
    opened = open_visit(new_rider("Rosa Lind"))
    assert not bike.save_bike(opened, {"crank_mm": "172.5"}).errors
    lay_marked(opened, film, TIMES_S)
    marks = dict(answers(opened, "ride")["marks side right before"])
    at = [float(x) for x in np.array(marks["points"][POINT]) + GUESS_OFF_PX]
    marks |= {"points": marks["points"] | {POINT: at}, "guessed": {POINT: {"u_px": 30.0}},
              "origin": {POINT: {"how": "guessed", "u_px": 30.0}}}  # fmt: skip
    ride.save_marks(opened, "side right", "before", marks)
    ride.analyse_film(opened, "side right", "before")
    return opened


def test_a_guess_that_is_put_right_is_confirmed_in_the_whole_film_and_again_a_guess_when_taken_back(
    guessed: Visit,
):
    first = row(guessed)
    assert first.result["ride"]["guessed"] == [POINT]
    assert np.nanmedian(off_px(first)) > 10
    k = 70
    said = corrections.correct(
        guessed, "side right", "before", POINT, TIMES_S[k], tuple(AT[POINT][k]), first.pk
    )
    assert said.endswith("followed again. A disc was found under it and is followed.")
    right = row(guessed)
    assert "guessed" not in right.result["ride"]
    origin = right.result["ride"]["quality"]["origins"][POINT]
    assert origin == {"how": "guessed", "u_px": 30.0, "corrected_s": [round(float(TIMES_S[k]), 5)]}
    assert right.result["tracks"]["quality"][POINT]["kind"] == "disc"
    off, free = off_px(right), (HIDDEN_S[0] - 1e-4 > TIMES_S) | (HIDDEN_S[1] + 0.05 < TIMES_S)
    assert np.isfinite(off[free]).mean() > 0.98  # nothing of the guess's own path is left
    assert np.nanmax(off[free]) < 0.6
    assert np.isnan(off[~free]).mean() > 0.8

    shown = mend.confirmed(answers(guessed, "ride")["marks side right before"], right)
    assert np.hypot(*(np.array(shown["points"][POINT]) - AT[POINT][30])) < 0.6
    assert (shown["guessed"], shown["confirmed"]) == ({}, [POINT])

    corrections.take_back(guessed, "side right", "before", right.pk)
    back = row(guessed)
    assert back.result == first.result
    assert mend.confirmed(back.inputs["marks"], back)["guessed"] == {POINT: {"u_px": 30.0}}
    corrections.do_again(guessed, "side right", "before", back.pk)
    again = row(guessed)
    assert again.result == right.result
    assert len(mend.of(again)) == 1
    with pytest.raises(InputError, match="none to do again"):
        corrections.do_again(guessed, "side right", "before", again.pk)
    corrections.take_back(guessed, "side right", "before", again.pk)  # and back once more
    assert row(guessed).result == first.result


def test_a_guess_that_is_put_where_no_disc_is_says_so(guessed: Visit):
    k = 70
    beside = tuple(float(x) for x in AT[POINT][k] + GUESS_OFF_PX)
    said = corrections.correct(guessed, "side right", "before", POINT, TIMES_S[k], beside, row(guessed).pk)
    assert "No disc was found under it: the cloth or skin there is followed, which is less sure." in said
    assert row(guessed).result["tracks"]["quality"][POINT]["kind"] == "texture"
    again = corrections.correct(guessed, "side right", "before", POINT, TIMES_S[k], beside, row(guessed).pk)
    assert "No disc" not in again  # it is a hand's by now, no guess


def test_a_guess_put_right_stays_confirmed_when_the_film_is_followed_anew(guessed: Visit):
    k = 70
    corrections.correct(
        guessed, "side right", "before", POINT, TIMES_S[k], tuple(AT[POINT][k]), row(guessed).pk
    )
    ride.analyse_film(guessed, "side right", "before")
    now = row(guessed)
    assert "guessed" not in now.result["ride"]
    assert np.nanmax(off_px(now)[: int(HIDDEN_S[0] * 60)]) < 0.6


def test_a_new_correction_ends_what_can_be_done_again(visit: Visit):
    for k in (40, 150):
        corrections.correct(
            visit, "side right", "before", POINT, TIMES_S[k], tuple(AT[POINT][k]), row(visit).pk
        )
    for _ in range(2):
        corrections.take_back(visit, "side right", "before", row(visit).pk)
    corrections.do_again(visit, "side right", "before", row(visit).pk)
    assert [round(c["time_s"], 3) for c in mend.of(row(visit))] == [round(float(TIMES_S[40]), 3)]
    corrections.correct(
        visit, "side right", "before", POINT, TIMES_S[90], tuple(AT[POINT][90]), row(visit).pk
    )
    with pytest.raises(InputError, match="none to do again"):
        corrections.do_again(visit, "side right", "before", row(visit).pk)
