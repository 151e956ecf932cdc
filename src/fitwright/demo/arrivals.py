"""The two invented riders arrive: what they say and what tape and ruler give is typed in, as at a real desk."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from django.utils import timezone

from fitwright.body.sided import BY_STEM
from fitwright.demo.riders import (
    INDOOR,
    RIDERS,
    SIDES,
    SimRider,
    bike_measures,
    foot_measures,
    hanging_foot_trials,
    tape_measures,
)
from fitwright.errors import InputError
from fitwright.plan.red_flags import QUESTIONS
from fitwright.records.models import Bike, Rider, Visit
from fitwright.studio import bike, body, intake
from fitwright.studio.entry import Saved
from fitwright.studio.feet import clearance, cleats, pairs
from fitwright.studio.feet.soles import label_of, letter_of
from fitwright.studio.house import open_studio
from fitwright.studio.ride import MARKERS, import_markers
from fitwright.studio.visits import analysis, answers, measured, new_rider, open_visit

SEED = 7
STUDIO_NAME = "The demo studio"
OPEN_RIDER = "Rider of an open recording"
SITES = {
    "knee_left_lateral": "knee_left", "saddle": "saddle_region", "forefoot_left": "foot_left",
    "forefoot_right": "foot_right",
}  # fmt: skip
TAPE = {
    "stature_mm": "height_mm", "inseam_mm": "inseam_mm", "thigh_right_mm": "thigh_mm",
    "shank_right_mm": "shank_mm", "malleolus_height_right_mm": "malleolus_height_mm", "trunk_mm": "torso_mm",
    "upper_arm_mm": "upper_arm_mm", "forearm_mm": "forearm_mm",
}  # fmt: skip

ROAD_WHEEL = {
    "front_centre_mm": "581", "axle_above_bb_mm": "71", "radius_mm": "339", "tyre_width_mm": "28",
    "head_angle_deg": "72.5", "fork_offset_mm": "45",
}  # fmt: skip
BESIDE = {
    "first": ROAD_WHEEL | {
        "heel_breadth_mm": "76", "arms_at_axle_mm": "104", "stay_length_mm": "410", "stay_rise_mm": "71",
        "stay_front_mm": "80", "stay_middle_mm": "90", "stay_rear_mm": "148",
    },
    "second": {
        "heel_breadth_mm": "72", "arms_at_axle_mm": "120", "stay_length_mm": "430", "stay_rise_mm": "72",
        "stay_front_mm": "80", "stay_middle_mm": "106", "stay_rear_mm": "156", "front_centre_mm": "574",
        "axle_above_bb_mm": "72", "radius_mm": "352", "tyre_width_mm": "42", "head_angle_deg": "71",
        "fork_offset_mm": "50",
    },
}  # fmt: skip
"""What stands beside heel and toe, read with ruler and gauge; our own two bikes."""
SIZES_EU = {"first": "42.5", "second": "39"}
CLEATS_SINCE = {"first": (26, "160"), "second": (70, "110")}
"""Weeks before the visit at which the cleats were fitted, and km a week."""


def arrive() -> dict[str, Visit]:
    """The studio with both visits as far as they go without pictures; running it again changes nothing."""
    open_studio(STUDIO_NAME, simulated=True)
    return {key: _visit(rider) for key, rider in RIDERS.items()}


def _visit(rider: SimRider) -> Visit:
    person = Rider.objects.filter(name=rider.name, simulated=True).first()
    if person is None:
        person = new_rider(rider.name, born_year=2026 - rider.age, sex=rider.sex[0].upper(), simulated=True)
    visit = Visit.objects.filter(rider=person).first()
    if visit is None:
        own = Bike.objects.create(rider=person, name=f"{rider.intake['use']} bike", use=rider.intake["use"])
        visit = open_visit(person, use=rider.intake["use"], title="first visit", bike=own)
    _first_pair(visit, rider)
    if visit.shoes is None or "cleat_height_mm" not in visit.shoes.cleat_system:
        _shoes(visit, rider, "road shoes" if rider.intake["use"] == "road" else "gravel shoes")
    if not answers(visit, "intake"):
        _saved(intake.save_intake(visit, _intake(rider)))
    if body.measures(visit) is None:
        _saved(body.save_body(visit, _body(rider)))
    if bike.contact_points(visit) is None:
        _saved(bike.save_bike(visit, {k: str(v) for k, v in bike_measures(rider, SEED).items()}))
    if ("stay_length_mm", "") not in measured(visit, "feet"):
        _saved(clearance.save(visit, BESIDE[rider.key]))
    if not cleats.notes_by_pair(person):
        weeks, km = CLEATS_SINCE[rider.key]
        day = timezone.localdate(visit.opened_at) - timedelta(weeks=weeks)
        cleats.save_note(visit, "", "fitted", day, km_per_week=float(km))
    return visit


def has_second_pair(visit: Visit, rider: SimRider) -> bool:
    """Whether nothing is left to do about a second pair: photographed on both sides, or there is none."""
    return rider.key not in INDOOR or all(
        analysis(visit, "sole", label_of("B", f"{side} before")) for side in SIDES
    )


def _first_pair(visit: Visit, rider: SimRider) -> None:
    """Back on the bench, where a run was killed while the second one lay there."""
    if visit.shoes and letter_of(visit) != "A" and not has_second_pair(visit, rider):
        pairs.switch_pair(visit, "A")


def lay_out_second_pair(visit: Visit, rider: SimRider) -> None:
    """The pair for indoors on the bench, with its cleats."""
    if any(p.shoes.letter == "B" for p in pairs.pairs(visit)):
        pairs.switch_pair(visit, "B")
    else:
        pairs.add_pair(visit, "indoor shoes", SIZES_EU[rider.key])
    if visit.shoes is None or "cleat_height_mm" not in visit.shoes.cleat_system:
        _shoes(visit, rider, "indoor shoes")


def _shoes(visit: Visit, rider: SimRider, name: str) -> None:
    """The pair on the bench: its cleats by the catalogue's key, and what was measured on this very pair."""
    pairs.save_pair(visit, {"name": name, "size_eu": SIZES_EU[rider.key], "system": rider.cleat_key})
    own = {name: str(getattr(rider, name)) for name in ("float_in_deg", "float_out_deg", "stack_mm")}
    own["cleat_height_mm"] = str(round(2 * rider.cleat_height_mm) / 2)  # a depth gauge read to half a mm
    _, errors = pairs.save_measures(visit, own)
    for error in errors.values():
        raise error


def _intake(rider: SimRider) -> dict[str, str]:
    """What the rider says, in the boxes of the Intake page."""
    told = rider.intake
    flags = told["red_flags"]
    typed = {
        "goal": told["goals"], "use": told["use"], "hours_per_week": str(told["hours_per_week"]),
        "years_riding": str(told["years_riding"]), "history": told["history"], "consent": "yes",
    }  # fmt: skip
    typed |= {f"flag.{q.id}": "yes" if flags.get(q.id, False) else "no" for q in QUESTIONS}
    return typed | {f"pain.{SITES.get(site, site)}": str(n) for site, n in told["ratings"].items()}


def _body(rider: SimRider) -> dict[str, str]:
    """Tape and goniometer readings, in the boxes of the Body page."""
    read = tape_measures(rider, SEED)
    typed = {name: str(read[source]) for source, name in TAPE.items()}
    typed["mass_kg"] = str(rider.mass_kg)
    for side, trials in hanging_foot_trials(rider, SEED).items():
        typed[f"hanging_foot_{side}"] = " ".join(str(t) for t in trials)
    for (stem, side), readings in foot_measures(rider, SEED).items():
        typed[BY_STEM[stem].name(side)] = " ".join(f"{r:g}" for r in readings)
    return typed


def _saved(saved: Saved) -> None:
    """The demo types only what the pages accept; anything else is a fault of the demo."""
    for error in saved.errors.values():
        raise error


def open_recording(folder: Path) -> Visit | None:
    """A third, real visit from the open recording of a cyclist, read where it lies; None when it is not there."""
    trc = folder / "cycling-standing" / "subject01_standing_10_70.trc"
    if not trc.is_file():
        return None
    person = Rider.objects.filter(name=OPEN_RIDER).first() or new_rider(OPEN_RIDER)
    visit = Visit.objects.filter(rider=person).first() or open_visit(
        person, title="standing on an ergometer, recorded with markers"
    )
    if analysis(visit, "ride", MARKERS) is None:
        import_markers(visit, trc)
    return visit


def missing_recording(folder: Path) -> InputError:
    """The line that says why the third visit is absent."""
    return InputError(
        "open recording", f"not found at {folder}; the demo goes on without the third visit",
        hint="Set FITWRIGHT_OUTSIDE_DATA to the folder that holds cycling-standing",
    )  # fmt: skip
