"""The whole simulated visit through the real pipeline: against known truth, broken off and gone on, port in use.

`demo_studio` runs the real command once for all tests here (some minutes). Films are 6 s long, the shortest allowed.
"""

from __future__ import annotations

import json
import socket
from pathlib import Path

import pytest

from demo_once import SECONDS, fitwright
from fitwright.demo.riders import RIDERS
from fitwright.demo.run import WORN_SHIFT
from fitwright.foot.bolts import pattern_from_bolts
from fitwright.foot.sole import SoleReading
from fitwright.told import book

SIDES = ("left", "right")


def off(measured: dict, true: float) -> float:
    """Measured less true."""
    return measured["value"] - true


@pytest.mark.demo
class TestTheVisit:
    """What the finished demo holds."""

    def test_both_riders_visits_and_their_documents(self, demo_studio):
        pymupdf = pytest.importorskip("pymupdf")
        visits = demo_studio.told["visits"]
        assert set(visits) == {"first", "second"}
        assert demo_studio.told["simulated"] is True
        for rider, visit in visits.items():
            names = {Path(d).name for d in visit["documents"]}
            assert names >= {"position-sheet.pdf", "cleat-card.pdf", "report.pdf", "position.json"}
            for name in names - {"position.json", "measures.json", "measures.csv"}:
                pdf = demo_studio.document(rider, name).read_bytes()
                assert pdf.startswith(b"%PDF-")
                pages = [" ".join(page.get_text().split()) for page in pymupdf.open(stream=pdf)]
                assert all("simulated" in text.lower() for text in pages), name
                assert len(pages) == {"position-sheet.pdf": 1, "cleat-card.pdf": 2}.get(name, len(pages))
                assert visit["rider"] in pages[0]

    def test_least_knee_flexion_against_truth(self, demo_studio):
        for rider, when in (("first", "before"), ("first", "after"), ("second", "before")):
            ride = demo_studio.result(rider, "ride", f"side right {when}")["ride"]
            least = ride["quantities"]["right"]["knee_flexion_deg"]["min"]
            miss = off(least, demo_studio.truth(rider, f"side-right-{when}.mp4")["knee_flexion_deg"]["min"])
            assert abs(miss) < 1.5
            assert abs(miss) < 1.96 * least["u"]

    def test_cleat_pose_against_truth(self, demo_studio):
        for rider, when in (("first", "before"), ("first", "after"), ("second", "before")):
            for side in SIDES:
                cleat = demo_studio.result(rider, "sole", f"{side} {when}")["cleat"]
                true = demo_studio.truth(rider, f"sole-{side}-{when}.jpg")["cleat"]
                assert abs(off(cleat["x_c_mm"], true["x_c_mm"])) < 0.5
                assert abs(off(cleat["z_c_mm"], true["z_c_mm"])) < 0.5
                assert abs(off(cleat["psi_c_deg"], true["psi_c_deg"])) < 0.3

    def test_soles_are_measured_from_what_was_found(self, demo_studio):
        for visit in demo_studio.told["visits"].values():
            rows = demo_studio.rows(
                "select inputs from records_analysis where kind = 'sole' and visit_id = ?", visit["id"]
            )
            for inputs in (json.loads(text) for (text,) in rows):
                how = {name: origin["how"] for name, origin in inputs["origins"].items()}
                found = {name for name, words in how.items() if words == "proposed"}
                assert found >= {"heel_centre", "toe", "m1", "m5", "datum_1", "datum_2", "datum_3"}
                assert {how[n] for n in ("cleat_nose", "cleat_tail")} <= {"proposed", "hand"}
                assert inputs["outline"] is True

    def test_the_bolts_lie_as_the_catalogue_says(self, demo_studio):
        for key, rider in RIDERS.items():
            for side in SIDES:
                reading = SoleReading.from_json(demo_studio.result(key, "sole", f"{side} before"))
                bolts = pattern_from_bolts(rider.cleat, reading.landmarks)
                assert bolts.residual_mm < 0.3
                assert abs(bolts.z.value - rider.leg(side).bolts_mm[1]) < 0.3
                if not rider.cleat.sole_slide_half_mm:
                    assert abs(bolts.x.value - rider.leg(side).bolts_mm[0]) < 2 * bolts.x.u

    def test_the_second_pair_was_photographed_and_the_first_lies_on_the_bench(self, demo_studio):
        for side in SIDES:
            cleat = demo_studio.result("first", "sole", f"{side} before B")["cleat"]
            true = demo_studio.truth("first", f"sole-{side}-before-B.jpg")["cleat"]
            for name, bound in (("x_c_mm", 0.5), ("z_c_mm", 0.5), ("psi_c_deg", 0.3)):
                assert abs(off(cleat[name], true[name])) < bound
        on_bench = demo_studio.rows(
            "select letter from records_shoes join records_visit on records_visit.shoes_id = records_shoes.id"
        )
        assert on_bench == [("A",), ("A",)]

    def test_hanging_feet_in_photographs_against_truth(self, demo_studio):
        for key in RIDERS:
            for side in SIDES:
                yaw = demo_studio.result(key, "hanging", f"{side} 1")["yaw_deg"]
                true = demo_studio.truth(key, f"hanging-foot-{side}.jpg")["yaw_deg"]
                assert abs(off(yaw, true)) < 2 * yaw["u"]

    def test_the_first_riders_plan_is_small_and_predicts(self, demo_studio):
        plan = demo_studio.result("first", "plan", "plan")
        assert plan["stopped"] == ""
        assert 1 <= len(plan["changes"]) <= 4
        for change in plan["changes"]:
            assert change["words"]
            assert change["predictions"]
            assert all(p["expected"]["u"] > 0 for p in change["predictions"])
        assert all(f["source"] for f in plan["findings"])

    def test_the_second_riders_plan_is_stopped_with_the_referral(self, demo_studio):
        plan = demo_studio.result("second", "plan", "plan")
        assert plan["changes"] == []
        assert "physician" in plan["stopped"].lower() or "doctor" in plan["stopped"].lower()
        assert demo_studio.rows("select count(*) from records_analysis where kind = 'outcome' and visit_id = ?",
                                demo_studio.told["visits"]["second"]["id"]) == [(0,)]  # fmt: skip

    def test_predicted_stands_beside_measured(self, demo_studio):
        rows = demo_studio.result("first", "outcome", "outcome")["rows"]
        planned = demo_studio.result("first", "plan", "plan")["changes"]
        watched = {p["label"] for change in planned for p in change["predictions"]}
        assert watched & {row["label"] for row in rows}
        from_the_twin = [row for row in rows if row["predicted"]["method"] == "predicted"]
        assert len(from_the_twin) >= 3
        assert all(row["predicted"]["u"] > 0 for row in from_the_twin)
        for row in rows:
            assert row["measured"]["u"] > 0
            assert row["words"]
            change = row["after"]["value"] - row["before"]["value"]
            assert row["measured"]["value"] == pytest.approx(change, abs=1e-6)

    def test_the_worn_cleat_is_found_where_it_was_put(self, demo_studio):
        check = demo_studio.result("first", "remount", "left")
        assert abs(off(check["x_mm"], WORN_SHIFT["cleat_x_mm"])) < 0.5
        assert abs(off(check["z_mm"], WORN_SHIFT["cleat_z_mm"])) < 0.5
        assert abs(off(check["psi_deg"], WORN_SHIFT["cleat_psi_deg"])) < 0.3
        assert check["distinguishable"] is True
        assert check["within_goal"] is False
        assert "towards the toe" in check["words"]
        assert "inward" in check["words"]
        assert "outward" in check["words"]

    def test_the_position_record_is_whole(self, demo_studio):
        for rider, label in (("first", "left"), ("second", "arrived")):
            record = json.loads(demo_studio.document(rider, "position.json").read_text("utf-8"))
            assert record == demo_studio.told["visits"][rider]["position"]
            assert record["simulated"] is True
            assert record["label"] == label
            assert set(record["feet"]) == set(SIDES)
            for name, value in record["bike"].items():
                measured = record["bike_measured"][name]
                assert measured["value"] == value
                assert measured["u"] > 0
                assert measured["method"]
            for foot in record["feet"].values():
                assert {"x_c_mm", "z_c_mm", "psi_c_deg"} <= set(foot["cleat"])
                assert all(foot["cleat"][k]["u"] > 0 for k in ("x_c_mm", "z_c_mm", "psi_c_deg"))

    def test_the_work_that_was_done_is_told_in_german_too(self, demo_studio):
        titles = {
            title for (title,) in demo_studio.rows("select title from records_work where kind like 'demo %'")
        }
        assert len(titles) > 8
        german = book("de")
        assert all(german.told(title) != title for title in titles), titles

    def test_every_surface_says_simulated(self, demo_studio):
        numbers = [v["id"] for v in demo_studio.told["visits"].values()]
        listed = fitwright("visit", "list", studio=demo_studio.folder).out.splitlines()
        assert sum(line.rstrip().endswith("simulated") for line in listed) == len(numbers)
        for number in numbers:
            shown = fitwright("visit", "show", str(number), "--json", studio=demo_studio.folder)
            assert json.loads(shown.out)["simulated"] is True
        pictures = demo_studio.rows(
            "select kind, simulated from records_medium where kind in ('photo', 'film')"
        )
        assert len(pictures) == 19
        assert all(simulated for _, simulated in pictures)


@pytest.mark.demo
class TestBrokenOff:
    """Ctrl-C in the middle, then the same command again."""

    def test_it_ends_at_once_in_plain_words(self, demo_studio):
        ended = demo_studio.broken_off
        assert ended.code == 130
        assert "Traceback" not in ended.err
        assert ended.err.count("\n") <= 2
        assert "interrupted" in ended.err
        assert "open recording: not found" in ended.out + ended.err

    def test_nothing_half_written_is_left(self, demo_studio):
        names = [n for n in demo_studio.left if not n.endswith(("-wal", "-shm"))]
        assert any(n.endswith(".jpg") for n in names)
        assert all(demo_studio.left[n] > 0 for n in names)
        pictures = [p for p in (demo_studio.folder / "demo").rglob("*") if p.is_file()]
        assert not [p.name for p in pictures if ".part" in p.name or p.name.endswith(".progress")]
        assert not list((demo_studio.folder / "media").glob("incoming-*"))

    def test_nothing_is_doubled(self, demo_studio):
        count = "select count(*) from "
        simulated = demo_studio.rows("select name from records_rider where simulated")
        assert len(simulated) == len(set(simulated)) == 2
        assert demo_studio.rows(count + "records_visit where simulated") == [(2,)]
        assert demo_studio.rows(count + "records_analysis where replaces_id is not null") == [(0,)]
        twice = "select 1 from records_analysis group by visit_id, kind, label having count(*) > 1"
        assert demo_studio.rows(twice) == []
        assert demo_studio.rows(count + "records_work where state = 'running'") == [(0,)]
        steps = "select change_id from records_changestep"
        changes = demo_studio.rows("select id from records_change")
        assert sorted(demo_studio.rows(steps)) == sorted(changes)

    def test_a_finished_demo_run_again_changes_nothing(self, demo_studio):
        tables = (
            "rider",
            "visit",
            "medium",
            "analysis",
            "measurement",
            "answer",
            "position",
            "change",
            "changestep",
        )
        counts = {t: demo_studio.rows(f"select count(*) from records_{t}") for t in tables}
        again = fitwright("demo", "--no-serve", "--seconds", SECONDS, "--json", studio=demo_studio.folder)
        assert again.code == 0, again.err
        assert json.loads(again.out)["visits"] == demo_studio.told["visits"]
        assert {t: demo_studio.rows(f"select count(*) from records_{t}") for t in tables} == counts


@pytest.mark.parametrize("command", [("demo", "--seconds", SECONDS), ("demo", "--json"), ("serve",)])
def test_a_port_in_use_is_told_before_anything_is_made(tmp_path, command):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        ended = fitwright(
            *command, "--port", str(taken.getsockname()[1]), studio=tmp_path / "studio", timeout=60
        )
    assert ended.code == 2
    assert ended.out == ""
    assert ended.err.count("\n") == 1
    assert ended.err.startswith("fitwright: port: ")
    assert "is in use" in ended.err
    assert not (tmp_path / "studio").exists()


def test_a_studio_that_cannot_be_made(tmp_path):
    """A file in its place, and a file that is no database: told in one line, and neither is touched."""
    file = tmp_path / "file"
    file.write_text("kept")
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "fitwright.sqlite3").write_text("no database " * 99)
    for studio in (file, broken):
        ended = fitwright("demo", "--no-serve", studio=studio, timeout=60)
        assert ended.code == 2
        assert ended.err.count("\n") == 1
        assert ended.err.startswith("fitwright: studio folder: cannot be opened")
    assert file.read_text() == "kept"
    assert (broken / "fitwright.sqlite3").read_text().startswith("no database")
