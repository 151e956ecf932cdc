"""Recordings in, rides out at the Ride station: a table by its map, a C3D at once, files that say what they hold."""

from __future__ import annotations

import io
import re

import numpy as np
import pyarrow.parquet as pq
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from fitwright.motion.ride import RideResult
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Measured
from fitwright.records.models import Medium, Work
from fitwright.studio.ride import MARKERS, ride_of, rides_by_label
from fitwright.studio.visits import analyse, answers, let_go
from fitwright.vision.c3d_file import read_c3d, write_c3d
from fitwright.web.views import ride_files
from simulated_side import leg_at, theta_of

pytestmark = pytest.mark.django_db
SHORT = {
    "greater_trochanter": "RGT", "lateral_femoral_condyle": "RLFC", "lateral_malleolus": "RLM", "heel": "RCAL",
    "fifth_metatarsal": "RMT5", "pedal_axle": "Crank end",
}  # fmt: skip


@pytest.fixture(autouse=True)
def at_once(settings):
    """Tasks run where they are queued."""
    settings.TASKS = {"default": {"BACKEND": "django_tasks.backends.immediate.ImmediateBackend"}}


def recording(third: bool = True) -> Trajectories:
    """Twelve seconds of a simulated right leg at 100 pictures per second; Z constant for each marker."""
    time = np.arange(1200) / 100
    points = leg_at(theta_of(time))
    flat = np.stack([points[n] for n in SHORT], axis=1)
    flat = flat + np.random.default_rng(2).normal(0, 0.3, flat.shape)
    position = np.concatenate([flat, np.full((*flat.shape[:2], 1), 150.0)], axis=2) if third else flat
    axes = ("X", "Y", "Z") if third else ("X", "Y")
    return Trajectories(tuple(SHORT.values()), time, position, np.full_like(position, 0.5), axes, "invented")


def table(third: bool = True, separator: str = ";", decimal: str = ",") -> bytes:
    traj = recording(third)
    names = ["Time (s)", *(f"{n} {a} (mm)" for n in traj.names for a in traj.axes)]
    rows = [separator.join(names)]
    for t, xyz in zip(traj.time_s, traj.position_mm.reshape(traj.time_s.size, -1), strict=True):
        rows.append(separator.join(f"{v:.3f}" for v in (t, *xyz)).replace(".", decimal))
    return "\n".join(rows).encode()


def send(client, visit, name: str, data: bytes, **more):
    files = {"action": "markers", "markers": SimpleUploadedFile(name, data), **more}
    return client.post(f"/visits/{visit.pk}/ride", files)


def boxes(html: str) -> dict[str, str]:
    """What stands in the page's inputs and selects."""
    found = dict(re.findall(r'<input[^>]* name="([^"]+)"[^>]* value="([^"]*)"', html))
    for name, inside in re.findall(r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', html, re.DOTALL):
        chosen = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)', inside)
        first = re.search(r'<option(?: value="([^"]*)")?>([^<]*)', inside)
        hit = chosen or first
        found[name] = (hit.group(1) if hit.group(1) is not None else hit.group(2)) if hit else ""
    return {k: v.replace("&amp;", "&") for k, v in found.items() if k != "csrfmiddlewaretoken"}


def axle(typed: dict[str, str], axes: str = "xyz") -> dict[str, str]:
    return typed | {f"pedal_axle_right.{a}": f"Crank end {a.upper()} (mm)" for a in axes}


def test_a_table_goes_to_its_map_and_from_there_to_a_ride(client, filled) -> None:
    """Decimal comma, semicolons; all but one marker are guessed from the names."""
    answer = send(client, filled, "ride.csv", table())
    medium = Medium.objects.get(kind="markers")
    assert answer.url == f"/visits/{filled.pk}/ride/map/{medium.pk}"
    page = client.get(answer.url)
    typed = boxes(page.content.decode())
    assert typed["time"] == "Time (s)"
    assert typed["lateral_malleolus_right.y"] == "RLM Y (mm)"
    assert typed["separator"] == ";"
    assert "RCAL X (mm)" in page.content.decode()
    done = client.post(answer.url, axle(typed))
    assert done.url == f"/visits/{filled.pk}/ride"
    let_go(filled)
    ride = rides_by_label(filled)[MARKERS]
    assert ride.cadence_rpm.value == pytest.approx(88, abs=0.1)
    assert Work.objects.get(kind="ride").state == "done"
    assert "Marker recording. Cadence" in client.get(f"/visits/{filled.pk}/ride").content.decode()


def test_the_map_is_offered_again_for_a_table_of_the_same_columns(client, filled, visit) -> None:
    first = send(client, filled, "a.csv", table())
    client.post(first.url, axle(boxes(client.get(first.url).content.decode())))
    second = send(client, visit, "b.csv", table() + b"\n12;0;0;0;0;0;0;0;0;0;0;0;0;0;0;0;0;0;0")
    page = client.get(second.url).content.decode()
    assert "was imported before" in page
    assert boxes(page)["pedal_axle_right.x"] == "Crank end X (mm)"


def test_two_axes_are_read_like_a_side_film(client, filled) -> None:
    where = send(client, filled, "flat.csv", table(third=False)).url
    typed = boxes(client.get(where).content.decode())
    assert typed["right"] == ""
    client.post(where, axle(typed, "xy"))
    let_go(filled)
    ride = rides_by_label(filled)[MARKERS]
    assert ride.view == "side"
    assert any("Only two axes" in n for n in ride.notes)


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"heel_right.x": "RLM X (mm)"}, "heel_right.x", "this column is lateral malleolus right x already"),
        ({"heel_right.x": "RCAL Q"}, "heel_right.x", "there is no such column"),
        ({"heel_right.z": ""}, "heel_right.z", "has no column yet"),
        ({"unit": "px"}, "mm_per_px", "pixels say nothing of size"),
        ({"unit": "px", "mm_per_px": "lots"}, "mm_per_px", "is not a number"),
        ({"time": ""}, "time", "neither a column of time"),
        ({"time": "", "rate_hz": "2"}, "rate_hz", "outside the allowed range"),
        ({"up": "+x"}, "up", "two directions name the same axis"),
        ({"greater_trochanter_right.x": "", "greater_trochanter_right.y": "", "greater_trochanter_right.z": ""}, "",
         "no side is whole yet; the right one lacks greater trochanter"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_at_its_box_and_the_rest_stays(client, filled, change, field, words) -> None:
    where = send(client, filled, "ride.csv", table()).url
    typed = axle(boxes(client.get(where).content.decode()))
    answer = client.post(where, typed | change)
    html = answer.content.decode()
    assert answer.status_code == 422
    assert html.count('role="alert"') == 1
    assert words in html
    assert boxes(html)["pedal_axle_right.y"] == "Crank end Y (mm)"
    if field:
        assert re.search(rf'name="{re.escape(field)}"[^>]*aria-invalid="true"', html)
    assert "recording" not in answers(filled, "ride")


def test_all_that_is_wrong_is_said_at_once_each_at_its_box(client, filled) -> None:
    where = send(client, filled, "ride.csv", table()).url
    typed = axle(boxes(client.get(where).content.decode()))
    change = {
        "rate_hz": "often", "up": "+x", "heel_right.z": "", "lateral_malleolus_right.x": "nowhere",
        "pedal_axle_right.z": "RLM Z (mm)", "unit": "px",
    }  # fmt: skip
    answer = client.post(where, typed | change)
    html = answer.content.decode()
    assert answer.status_code == 422
    said = {"rate_hz", "up", "lateral_malleolus_right.x", "heel_right.z", "pedal_axle_right.z", "mm_per_px"}
    for field in said:
        id_ = re.escape(f"wrong-{field}")
        assert re.search(
            rf'name="{re.escape(field)}"[^>]*aria-invalid="true" aria-describedby="{id_}"', html
        ), field
        assert re.search(rf'<p class="wrong" role="alert" id="{id_}">[^<]+</p>', html), field
    assert html.count('role="alert"') == len(said)
    assert "6 fields need another look" in html
    kept = boxes(html)
    assert {k: kept[k] for k in change} == change
    assert kept["pedal_axle_right.x"] == "Crank end X (mm)"
    assert "recording" not in answers(filled, "ride")


def test_reading_again_keeps_what_was_chosen(client, filled) -> None:
    where = send(client, filled, "ride.csv", table()).url
    typed = axle(boxes(client.get(where).content.decode())) | {"unit": "cm", "heel_right.x": "Q"}
    again = client.post(where, typed | {"action": "read"})
    kept = boxes(again.content.decode())
    assert again.status_code == 200
    assert kept["unit"] == "cm"
    assert kept["pedal_axle_right.x"] == "Crank end X (mm)"
    assert kept["heel_right.x"] == "RCAL X (mm)"  # there is no column Q: as guessed
    other = client.post(where, typed | {"action": "read", "separator": "|"})
    assert other.status_code == 422
    assert 'id="wrong-separator"' in other.content.decode()
    assert boxes(other.content.decode())["pedal_axle_right.x"] == "Crank end X (mm)"


def test_the_separator_can_be_told(client, filled) -> None:
    where = send(client, filled, "ride.csv", table(separator="\t", decimal=".")).url
    assert boxes(client.get(where).content.decode())["separator"] == "\t"
    wrong = client.get(f"{where}?separator=%7C&decimal=,")
    assert wrong.status_code == 422
    assert "has no rows of numbers" in wrong.content.decode()
    assert "RGT X (mm)" in wrong.content.decode()


def test_a_c3d_becomes_a_ride_with_its_standing_trial(client, filled) -> None:
    traj = recording()
    named = Trajectories(
        (*traj.names[:-1], "right pedal axle"), traj.time_s, traj.position_mm, traj.u_mm, traj.axes
    )
    data = write_c3d(named, {}, {})
    still = write_c3d(
        Trajectories(named.names, named.time_s[:50], named.position_mm[:50], named.u_mm[:50], named.axes),
        {},
        {},
    )
    send(client, filled, "ride.c3d", data, static=SimpleUploadedFile("static.c3d", still))
    let_go(filled)
    assert rides_by_label(filled)[MARKERS].cadence_rpm.value == pytest.approx(88, abs=0.1)
    assert answers(filled, "ride")["recording"]["static"]


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("ride.trc", b"hello", "ride.trc: is not a TRC nor a C3D file"),
        ("ride.c3d", b"\x02\x50" + bytes(600), "ride.c3d: cannot be read as C3D"),
        ("ride.csv", b"only words", "has no rows of numbers"),
        ("ride.csv", bytes(500), "is not a text table"),
        ("ride.mp4", b"\x00\x01", "this kind of file is not taken"),
    ],
)
def test_a_wrong_file_is_said_on_the_page_by_its_own_name(client, filled, name, data, words) -> None:
    answer = send(client, filled, name, data)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Work.objects.exists()


def test_what_fails_in_the_work_is_told_with_it(client, filled) -> None:
    """A recording in which nothing turns."""
    traj = recording()
    named = Trajectories(
        (*traj.names[:-1], "right pedal axle"),
        traj.time_s[:40],
        traj.position_mm[:40],
        traj.u_mm[:40],
        traj.axes,
    )
    send(client, filled, "short.c3d", write_c3d(named, {}, {}))
    work = Work.objects.get(kind="ride")
    assert work.state == "failed"
    assert "turn" in work.error["error"]


@pytest.fixture
def ridden(client, filled):
    where = send(client, filled, "ride.csv", table()).url
    client.post(where, axle(boxes(client.get(where).content.decode())))
    let_go(filled)
    return filled


def test_the_ride_leaves_in_every_format(client, ridden, tmp_path) -> None:
    base = f"/visits/{ridden.pk}/ride/export"
    page = client.get(base).content.decode()
    assert '<option value="markers">markers</option>' in page
    csv = client.get(f"{base}?ride=markers&format=csv&by=time&points=raw")
    assert csv["Content-Disposition"] == f'attachment; filename="visit-{ridden.pk}-markers.csv"'
    text = csv.content.decode()
    assert "# source: ride.csv" in text
    assert "# simulated: yes" in text
    assert "knee_flexion_right_deg" in text
    (tmp_path / "a.c3d").write_bytes(client.get(f"{base}?ride=markers&format=c3d&points=raw").content)
    got = read_c3d(tmp_path / "a.c3d").trajectories
    known = recording()
    i, k = got.names.index("heel_right"), known.names.index("RCAL")
    assert np.abs(got.position_mm[:, i] - known.position_mm[:, k]).max() < 1e-3
    parquet = client.get(f"{base}?ride=markers&format=parquet&by=crank")
    assert pq.read_table(io.BytesIO(parquet.content)).num_rows == 360


def test_what_cannot_be_exported_is_said(client, ridden, monkeypatch) -> None:
    base = f"/visits/{ridden.pk}/ride/export"
    for query, words in (
        ("ride=nowhere&format=csv", "there is none of that name"),
        ("ride=markers&format=xls", "unknown"),
        ("ride=markers&format=c3d&by=crank", "goes by time"),
    ):
        answer = client.get(f"{base}?{query}")
        assert answer.status_code == 422
        assert words in answer.content.decode()
    monkeypatch.setattr(ride_files, "has_parquet", lambda: False)
    assert "Parquet, not installed" in client.get(base).content.decode()


def test_smoothing_is_drawn_for_each_point(client, ridden) -> None:
    html = client.get(f"/visits/{ridden.pk}/ride/smoothing").content.decode()
    assert html.count("Smoothing of") >= 6
    assert "residual equals it at" in html
    assert "Seen in every picture" in html
    ride = rides_by_label(ridden)[MARKERS]
    facts = ride.quality["points"]["right"]["heel"]
    assert f"{facts['residual']['found_hz']:.1f} Hz" in html


def test_a_film_s_points_are_called_as_on_its_own_page(client, filled) -> None:
    measure_film = {
        "points": {n: {"cutoff_hz": None, "missing": 3, "bridged": 1} for n in ("acromion", "patella_left")}
    }
    film = RideResult("side", Measured(88.0, 0.1, "rpm"), {"right": 30}, {}, {}, {}, measure_film)
    analyse(filled, "ride", "side right before", {"ride": film.to_json(), "tracks": {}})
    html = client.get(f"/visits/{filled.pk}/ride/smoothing").content.decode()
    assert "Shoulder: never seen" in html
    assert "Knee, left: never seen" in html
    assert "cromion" not in html


def test_empty_pages(client, visit) -> None:
    for name in ("export", "smoothing"):
        assert "There is no ride yet" in client.get(f"/visits/{visit.pk}/ride/{name}").content.decode()
    assert client.get(f"/visits/{visit.pk}/ride/map/999").status_code == 404
    assert ride_of(visit, "front", "before") is None
