"""Two invented riders, simulated: their bodies, shoes, bikes, answers, and how they truly respond to a change.

Nobody here exists. Body lengths lie inside published population ranges (Gordon et al. 2014, NATICK/TR-15/007:
thigh 409 ± 28 mm and shank 419 ± 25 mm in men, 379 ± 24 and 403 ± 26 mm in women). What `Habits` and `Leg` hold
about response and frontal motion is hidden truth: only `demo`, tests and the bench may look at it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.foot.hardware import CleatSystem, system
from fitwright.foot.sole import CleatPose

SIDES = ("left", "right")


@dataclass(frozen=True)
class Leg:
    """One simulated leg and its shoe; sole frame as everywhere (x from the heel, z outward), mm and deg.

    Attributes:
        thigh_mm, shank_mm: hip centre–knee centre–lateral malleolus, true 3-D lengths.
        hip_out_mm: hip centre from the mid-plane. malleolus_*: in the sole frame, height above the sole's face.
        sole_length_mm, m1_mm, m5_mm, toe_z_mm: the shoe's sole (the toe mark lies on the mid-line: z = 0).
        bolts_mm: centre of the bolt pattern in the sole.
        foot_length_mm, ball_length_mm, foot_breadth_mm, heel_breadth_mm, forefoot_deg, torsion_deg: the bare foot and
        the shin, as measured at Body.
        hanging_yaw_deg: unloaded yaw of the shoe's mid-line. pitch_*: β(θ) in the first set-up.
        knee_mean_mm, knee_cos_mm, knee_sin_mm: knee outward of the pedal centre with a well-turned cleat.
        flare_mm_per_deg: how far the knee goes out at the top per degree that the float denies the foot.
        knee_share: realised share of the rigid change of least knee flexion (hidden).
    """

    thigh_mm: float
    shank_mm: float
    hip_out_mm: float
    malleolus_x_mm: float
    malleolus_y_mm: float
    sole_length_mm: float
    m1_mm: tuple[float, float]
    m5_mm: tuple[float, float]
    bolts_mm: tuple[float, float]
    foot_length_mm: float
    ball_length_mm: float
    foot_breadth_mm: float
    heel_breadth_mm: float
    forefoot_deg: float
    torsion_deg: float
    hanging_yaw_deg: float
    pitch_mean_deg: float
    pitch_cos_deg: tuple[float, float]
    pitch_sin_deg: tuple[float, float]
    knee_mean_mm: float
    knee_cos_mm: tuple[float, float]
    knee_sin_mm: tuple[float, float]
    flare_mm_per_deg: float
    knee_share: float


@dataclass(frozen=True)
class Habits:
    """How a simulated rider moves from turn to turn and gives way to a change (hidden truth).

    Attributes:
        cadence_rpm: mean. cadence_wander_rpm: slow drift, SD. surge: relative speed change within a turn (2 per
        turn). pitch_sd_deg, knee_sd_mm, yaw_sd_deg, hip_sd_mm: slow wander of each about its mean curve.
        pelvis_mm_per_deg: hip lowered per degree of rigid extension asked for. follow: share of a sideways shift
        of the foot that the knee follows. hip_over_saddle_mm: hip centre from the saddle point (X, Y).
    """

    cadence_rpm: float
    cadence_wander_rpm: float
    surge: float
    pitch_sd_deg: float
    knee_sd_mm: float
    yaw_sd_deg: float
    hip_sd_mm: float
    pelvis_mm_per_deg: float
    follow: float
    hip_over_saddle_mm: tuple[float, float]


@dataclass(frozen=True)
class SimSetup:
    """Contact points and both cleat poses (x mm, z mm, ψ deg), as they truly are."""

    contact: ContactPoints
    cleat_left: tuple[float, float, float]
    cleat_right: tuple[float, float, float]

    def cleat(self, side: str) -> tuple[float, float, float]:
        """(x_c mm, z_c mm, ψ_c deg) of one side."""
        return self.cleat_left if side == "left" else self.cleat_right

    def cleat_pose(self, side: str) -> CleatPose:
        """The true pose in the shared type, without uncertainty."""
        return CleatPose(*self.cleat(side), np.zeros((3, 3)), "simulated truth")

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "contact": self.contact.to_json(), "cleat_left": list(self.cleat_left),
            "cleat_right": list(self.cleat_right),
        }  # fmt: skip


@dataclass(frozen=True)
class SimRider:
    """One invented rider: body, habits, first set-up, parts, look, and what they tell and show at the visit."""

    key: str
    name: str
    sex: str
    age: int
    stature_mm: float
    mass_kg: float
    inseam_mm: float
    left: Leg
    right: Leg
    habits: Habits
    setup: SimSetup
    trunk_mm: float
    upper_arm_mm: float
    forearm_mm: float
    shoulder_out_mm: float
    elbow_flexion_deg: float
    cleat_key: str
    float_in_deg: float
    float_out_deg: float
    stack_mm: float
    cleat_height_mm: float
    intake: Mapping[str, Any] = field(default_factory=dict)
    look: Mapping[str, tuple[int, int, int]] = field(default_factory=dict)

    def leg(self, side: str) -> Leg:
        """One leg."""
        return self.left if side == "left" else self.right

    @property
    def cleat(self) -> CleatSystem:
        """The cleats' system, as the catalogue measures it."""
        return system(self.cleat_key)


ADJUSTABLES = (
    "saddle_height_mm", "saddle_setback_mm", "saddle_tilt_deg", "hood_x_mm", "hood_y_mm", "crank_mm",
    "spacer_left_mm", "spacer_right_mm", "shim_left_mm", "shim_right_mm",
    "cleat_x_mm_left", "cleat_x_mm_right", "cleat_z_mm_left", "cleat_z_mm_right",
    "cleat_psi_deg_left", "cleat_psi_deg_right",
)  # fmt: skip
_CLEAT_AXIS = {"cleat_x_mm": 0, "cleat_z_mm": 1, "cleat_psi_deg": 2}


def canonical(adjustable: str) -> str:
    """The name used here for an adjustable; `spacer_mm_left` and `spacer_left_mm` are the same thing."""
    for part in ("spacer", "shim"):
        for side in SIDES:
            if adjustable == f"{part}_mm_{side}":
                return f"{part}_{side}_mm"
    if adjustable not in ADJUSTABLES:
        raise InputError("adjustable", "unknown", value=adjustable, allowed=", ".join(ADJUSTABLES))
    return adjustable


def apply(setup: SimSetup, adjustable: str, delta: float) -> SimSetup:
    """The set-up after one bolt was turned by `delta` (mm or deg, hardware value after − before).

    Raising the saddle slides it along the seat post, so setback grows in proportion. InputError when the name
    is unknown or the result leaves the contact points' allowed range.
    """
    name = canonical(adjustable)
    stem, _, side = name.rpartition("_")
    if stem in _CLEAT_AXIS:
        pose = list(setup.cleat(side))
        pose[_CLEAT_AXIS[stem]] += delta
        new = (pose[0], pose[1], pose[2])
        return replace(setup, cleat_left=new) if side == "left" else replace(setup, cleat_right=new)
    if name == "saddle_height_mm":
        return replace(setup, contact=setup.contact.with_saddle(setup.contact.saddle_height_mm + delta))
    changed: dict[str, Any] = {name: getattr(setup.contact, name) + delta}
    return replace(setup, contact=replace(setup.contact, **changed))


NO_FLAGS = {
    "pain_at_rest_or_night": False, "swelling_or_locking": False, "recent_trauma": False,
    "persistent_numbness": False, "weakness": False, "known_unstable_condition": False, "acute_illness": False,
}  # fmt: skip

FIRST = SimRider(
    key="first", name="Joren Tamm", sex="male", age=41, stature_mm=1728, mass_kg=72.0, inseam_mm=808,
    left=Leg(
        thigh_mm=411.5, shank_mm=423.0, hip_out_mm=86.0, malleolus_x_mm=61.0, malleolus_y_mm=76.0,
        sole_length_mm=281.0, m1_mm=(200.0, -37.5), m5_mm=(170.5, 45.0), bolts_mm=(187.0, 0.0), hanging_yaw_deg=10.5,
        foot_length_mm=264.0, ball_length_mm=194.0, foot_breadth_mm=101.0, heel_breadth_mm=66.0, forefoot_deg=4.5,
        torsion_deg=28.0,
        pitch_mean_deg=18.5, pitch_cos_deg=(4.7, -0.9), pitch_sin_deg=(-11.6, 0.7),
        knee_mean_mm=-9.0, knee_cos_mm=(3.6, 0.9), knee_sin_mm=(-1.6, 0.6), flare_mm_per_deg=3.1,
        knee_share=0.55,
    ),
    right=Leg(
        thigh_mm=411.0, shank_mm=422.0, hip_out_mm=86.0, malleolus_x_mm=61.5, malleolus_y_mm=75.5,
        sole_length_mm=281.0, m1_mm=(201.0, -38.0), m5_mm=(172.0, 44.0), bolts_mm=(184.5, 1.0), hanging_yaw_deg=7.0,
        foot_length_mm=265.0, ball_length_mm=195.0, foot_breadth_mm=100.0, heel_breadth_mm=65.5, forefoot_deg=5.5,
        torsion_deg=24.0,
        pitch_mean_deg=18.2, pitch_cos_deg=(5.6, -0.8), pitch_sin_deg=(-11.5, 0.8),
        knee_mean_mm=-12.0, knee_cos_mm=(2.7, 0.8), knee_sin_mm=(-1.9, 0.5), flare_mm_per_deg=2.4,
        knee_share=0.55,
    ),
    habits=Habits(
        cadence_rpm=87.6, cadence_wander_rpm=0.7, surge=0.016, pitch_sd_deg=0.9, knee_sd_mm=1.1, yaw_sd_deg=0.5,
        hip_sd_mm=1.2, pelvis_mm_per_deg=0.55, follow=0.6, hip_over_saddle_mm=(10.0, 66.0),
    ),
    setup=SimSetup(
        ContactPoints(
            saddle_height_mm=717.0, saddle_setback_mm=203.6, hood_x_mm=504.0, hood_y_mm=618.0, crank_mm=172.5,
            q_factor_mm=148.0, pedal_offset_mm=53.0,
        ),
        cleat_left=(193.0, 1.0, 2.5), cleat_right=(186.0, 1.5, 6.5),
    ),
    trunk_mm=522.0, upper_arm_mm=292.0, forearm_mm=262.0, shoulder_out_mm=192.0, elbow_flexion_deg=22.0,
    cleat_key="three_bolt_wide", float_in_deg=4.5, float_out_deg=4.5, stack_mm=29.5, cleat_height_mm=6.8,
    intake={
        "use": "road", "goals": "Ride 200 km in one day in June without the left knee talking.",
        "hours_per_week": 7, "years_riding": 9, "wishes": "Would rather keep the bars where they are.",
        "history": "New shoes in spring; the outer left knee has been sore after two hours since then.",
        "red_flags": NO_FLAGS, "consent": True,
        "ratings": {"knee_left_lateral": 4, "knee_right": 0, "saddle": 2, "lower_back": 1, "forefoot_left": 2},
    },
    look={"jersey": (62, 94, 148), "shorts": (46, 46, 52), "skin": (186, 150, 128), "shoe": (208, 206, 200)},
)  # fmt: skip

SECOND = SimRider(
    key="second", name="Edda Wollin", sex="female", age=34, stature_mm=1605, mass_kg=58.0, inseam_mm=750,
    left=Leg(
        thigh_mm=383.0, shank_mm=404.0, hip_out_mm=84.0, malleolus_x_mm=55.0, malleolus_y_mm=66.0,
        sole_length_mm=258.0, m1_mm=(184.0, -34.0), m5_mm=(157.0, 40.5), bolts_mm=(171.5, 1.5), hanging_yaw_deg=6.0,
        foot_length_mm=241.0, ball_length_mm=178.0, foot_breadth_mm=92.0, heel_breadth_mm=60.0, forefoot_deg=3.0,
        torsion_deg=25.0,
        pitch_mean_deg=16.0, pitch_cos_deg=(4.9, -0.7), pitch_sin_deg=(-11.0, 0.6),
        knee_mean_mm=-13.0, knee_cos_mm=(2.2, 0.7), knee_sin_mm=(-1.7, 0.5), flare_mm_per_deg=2.2,
        knee_share=0.44,
    ),
    right=Leg(
        thigh_mm=384.0, shank_mm=403.0, hip_out_mm=84.0, malleolus_x_mm=55.0, malleolus_y_mm=66.5,
        sole_length_mm=258.0, m1_mm=(184.5, -34.5), m5_mm=(157.5, 40.0), bolts_mm=(169.5, 1.5), hanging_yaw_deg=8.0,
        foot_length_mm=240.5, ball_length_mm=178.5, foot_breadth_mm=91.0, heel_breadth_mm=60.5, forefoot_deg=4.0,
        torsion_deg=27.0,
        pitch_mean_deg=16.4, pitch_cos_deg=(5.2, -0.8), pitch_sin_deg=(-10.6, 0.5),
        knee_mean_mm=-11.0, knee_cos_mm=(2.6, 0.6), knee_sin_mm=(-1.5, 0.7), flare_mm_per_deg=2.2,
        knee_share=0.44,
    ),
    habits=Habits(
        cadence_rpm=85.4, cadence_wander_rpm=0.8, surge=0.014, pitch_sd_deg=0.8, knee_sd_mm=1.3, yaw_sd_deg=0.6,
        hip_sd_mm=1.4, pelvis_mm_per_deg=0.6, follow=0.55, hip_over_saddle_mm=(8.0, 62.0),
    ),
    setup=SimSetup(
        ContactPoints(
            saddle_height_mm=654.0, saddle_setback_mm=183.1, hood_x_mm=462.0, hood_y_mm=592.0, crank_mm=170.0,
            q_factor_mm=150.0, pedal_offset_mm=52.0,
        ),
        cleat_left=(171.0, 2.0, 5.0), cleat_right=(170.0, 1.5, 7.0),
    ),
    trunk_mm=478.0, upper_arm_mm=266.0, forearm_mm=240.0, shoulder_out_mm=176.0, elbow_flexion_deg=20.0,
    cleat_key="two_bolt", float_in_deg=6.0, float_out_deg=6.0, stack_mm=27.0, cleat_height_mm=4.7,
    intake={
        "use": "gravel", "goals": "Comfortable three-hour rides again.", "hours_per_week": 5, "years_riding": 4,
        "wishes": "", "red_flags": {**NO_FLAGS, "persistent_numbness": True}, "consent": True,
        "history": "Two fingers of the right hand stay numb for a day or longer after riding.",
        "ratings": {"hand_right": 6, "neck": 3, "saddle": 3, "knee_left": 1},
    },
    look={"jersey": (150, 88, 70), "shorts": (52, 50, 46), "skin": (198, 164, 142), "shoe": (92, 96, 100)},
)  # fmt: skip

RIDERS = {"first": FIRST, "second": SECOND}
INDOOR = {
    "first": replace(
        FIRST,
        left=replace(
            FIRST.left, sole_length_mm=279.0, m1_mm=(198.0, -37.0), m5_mm=(168.5, 45.5), bolts_mm=(184.0, 0.5)
        ),
        right=replace(
            FIRST.right, sole_length_mm=279.0, m1_mm=(199.0, -37.5), m5_mm=(170.0, 44.5), bolts_mm=(184.0, 0.5)
        ),
        setup=replace(FIRST.setup, cleat_left=(186.0, 1.0, 5.0), cleat_right=(184.0, 0.5, 5.5)),
        cleat_key="two_bolt", float_in_deg=5.0, float_out_deg=5.0, stack_mm=26.5, cleat_height_mm=4.7,
    )
}  # fmt: skip
"""A second pair of shoes that a rider brought along (B)."""


def hanging_foot_trials(rider: SimRider, seed: int) -> dict[str, list[float]]:
    """Three simulated readings of the hanging foot's yaw per side, deg toe-out, in 0.5° steps (scatter 1.1°)."""
    rng = np.random.default_rng([seed, 11])
    return {
        s: [float(np.round(2 * (rider.leg(s).hanging_yaw_deg + rng.normal(0, 1.1))) / 2) for _ in range(3)]
        for s in SIDES
    }


TWO_SIDED = {
    "foot_length": ("foot_length_mm", 2, 1.5), "ball_length": ("ball_length_mm", 2, 2.0),
    "foot_breadth": ("foot_breadth_mm", 2, 1.0), "heel_breadth": ("heel_breadth_mm", 1, 1.0),
    "forefoot_angle": ("forefoot_deg", 3, 2.0), "tibial_torsion": ("torsion_deg", 3, 2.0),
}  # fmt: skip
"""Measure at Body → where its truth is, how often it is read, and the scatter of one reading (our own choice)."""


def foot_measures(rider: SimRider, seed: int) -> dict[tuple[str, str], list[float]]:
    """(measure, side) → simulated readings of the bare foot and the shin, to 1 mm or 1°."""
    rng = np.random.default_rng([seed, 14])
    return {
        (stem, s): [float(np.round(getattr(rider.leg(s), name) + rng.normal(0, sd))) for _ in range(times)]
        for s in SIDES
        for stem, (name, times, sd) in TWO_SIDED.items()
    }


def tape_measures(rider: SimRider, seed: int) -> dict[str, float]:
    """Simulated tape readings, mm, rounded to 1 mm, with the reading error of a landmark found by hand (SD 4 mm
    on a segment, 2 mm on foot and shoe, 5 mm on stature and inseam; SDs are our own choice)."""
    rng = np.random.default_rng([seed, 12])
    read = {"stature_mm": (rider.stature_mm, 5.0), "inseam_mm": (rider.inseam_mm, 5.0)}
    for s in SIDES:
        leg = rider.leg(s)
        read[f"thigh_{s}_mm"] = (leg.thigh_mm, 4.0)
        read[f"shank_{s}_mm"] = (leg.shank_mm, 4.0)
        read[f"malleolus_height_{s}_mm"] = (leg.malleolus_y_mm, 2.0)
        read[f"sole_length_{s}_mm"] = (leg.sole_length_mm, 1.0)
    read |= {"trunk_mm": (rider.trunk_mm, 6.0), "upper_arm_mm": (rider.upper_arm_mm, 4.0)}
    read |= {"forearm_mm": (rider.forearm_mm, 4.0), "hip_width_mm": (2 * rider.left.hip_out_mm, 5.0)}
    return {k: float(np.round(v + rng.normal(0, sd))) for k, (v, sd) in read.items()}


def bike_measures(rider: SimRider, seed: int, setup: SimSetup | None = None) -> dict[str, float]:
    """Simulated readings of the contact points: tape to 1 mm (SD 1.5 mm), tilt to 0.5° (SD 0.3°), marked parts
    (crank, Q, pedal, spacers, shims) exactly. Feeds `ContactPoints(**...)`."""
    rng = np.random.default_rng([seed, 13])
    true = (setup or rider.setup).contact.to_json()
    for k in ("saddle_height_mm", "saddle_setback_mm", "hood_x_mm", "hood_y_mm"):
        true[k] = float(np.round(true[k] + rng.normal(0, 1.5)))
    true["saddle_tilt_deg"] = float(np.round(2 * (true["saddle_tilt_deg"] + rng.normal(0, 0.3))) / 2)
    return true
