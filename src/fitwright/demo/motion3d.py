"""Where every joint and sticker of a simulated rider is at a given time, in the bike frame.

Both legs close in three dimensions with fixed segment lengths: the knee's sideways place is prescribed, what is
left of thigh and shank closes in the sagittal plane. The rider's answer to a changed set-up (`Posture`) is solved
so that the knee realises the rider's own share of the rigid change; the plan never sees it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.demo.riders import SIDES, SimRider, SimSetup
from fitwright.quantity import Floats

AXLE_END_OUT_MM = 64.0  # outer face of the pedal axle, outward of the cleat centre
Points = dict[str, Floats]


@dataclass(frozen=True)
class Posture:
    """What the rider settles into on one set-up: shifts against the first one.

    Attributes: hip_shift_mm (vertical); per side pitch_shift_deg, yaw_mean_deg (mid of the used range before the
    float's ends act), denied_deg (mean yaw that the float denies), top_flexion_shift_deg.
    """

    hip_shift_mm: float
    pitch_shift_deg: dict[str, float]
    denied_deg: dict[str, float]
    top_flexion_shift_deg: dict[str, float]


def wander(rng: np.random.Generator, sd: float, low_hz: float = 0.06, high_hz: float = 0.7) -> Floats:
    """(6, 3) amplitude, frequency Hz and phase rad of a smooth random function with standard deviation `sd`."""
    amplitude = rng.uniform(0.5, 1.0, 6)
    amplitude *= sd * np.sqrt(2.0 / np.sum(amplitude**2))
    return np.stack([amplitude, rng.uniform(low_hz, high_hz, 6), rng.uniform(0, 2 * np.pi, 6)], axis=1)


def wander_at(w: Floats, t_s: Floats) -> Floats:
    """Value of a `wander` at times (N,)."""
    return np.asarray(np.sum(w[:, 0] * np.sin(2 * np.pi * w[:, 1] * t_s[:, None] + w[:, 2]), axis=1))


def harmonics(theta: Floats, mean: float, cos: tuple[float, ...], sin: tuple[float, ...]) -> Floats:
    """mean + Σ cos_k cos kθ + sin_k sin kθ, θ in rad."""
    out = np.full_like(theta, mean)
    for k, (c, s) in enumerate(zip(cos, sin, strict=True), start=1):
        out += c * np.cos(k * theta) + s * np.sin(k * theta)
    return out


def yaw_in_float(wish_deg: Floats, psi_deg: float, float_in: float, float_out: float) -> Floats:
    """The foot's yaw: the wish, met softly by the ends of the float (0.4° of give)."""
    low, high, soft = psi_deg - float_in, psi_deg + float_out, 0.4
    upper = wish_deg - soft * np.logaddexp(0.0, (wish_deg - high) / soft)
    return np.asarray(upper + soft * np.logaddexp(0.0, (low - upper) / soft))


def foot_point(local_mm: tuple[float, float, float], pitch_deg: Floats, yaw_deg: Floats) -> Floats:
    """(N, 3) X, Y, outward offsets from the pedal's cleat centre of a point fixed in the shoe.

    `local_mm`: forward, up and outward of the cleat centre, in the sole frame. Pitch first, then yaw about the
    vertical; with no pitch this is the sole-to-bike rule X = x cos φ − z sin φ, W = x sin φ + z cos φ.
    """
    b, f = np.radians(pitch_deg), np.radians(yaw_deg)
    forward = local_mm[0] * np.cos(b) + local_mm[1] * np.sin(b)
    up = -local_mm[0] * np.sin(b) + local_mm[1] * np.cos(b)
    return np.stack(
        [
            forward * np.cos(f) - local_mm[2] * np.sin(f),
            up,
            forward * np.sin(f) + local_mm[2] * np.cos(f),
        ],
        axis=1,
    )


def two_circles(a: Floats, ra: Floats | float, b: Floats, rb: Floats | float) -> Floats:
    """(N, 2) the point at distance ra from a and rb from b that lies forward (greater X) of the line b→a."""
    d = b - a
    dist = np.hypot(d[:, 0], d[:, 1])
    along = (np.square(ra) - np.square(rb) + dist**2) / (2 * dist)
    h2 = np.square(ra) - along**2
    if np.any(h2 < 0):
        raise ValueError("the chain does not reach: set-up outside this simulated rider's body")
    e = d / dist[:, None]
    n = np.stack([-e[:, 1], e[:, 0]], axis=1)
    n *= np.where(n[:, :1] < 0, -1.0, 1.0)
    return np.asarray(a + along[:, None] * e + np.sqrt(h2)[:, None] * n)


def flexion_deg(hip: Floats, knee: Floats, ankle: Floats) -> Floats:
    """(N,) knee flexion in the sagittal plane (first two columns), 0 = straight."""
    u, v = hip[:, :2] - knee[:, :2], ankle[:, :2] - knee[:, :2]
    cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    return np.asarray(180.0 - np.degrees(np.abs(np.arctan2(cross, np.sum(u * v, axis=1)))))


@dataclass(frozen=True)
class Motion:
    """One simulated ride, made by `ride`: `points(t)` gives everything, the same seed the same ride."""

    rider: SimRider
    setup: SimSetup
    posture: Posture
    wander: dict[str, Floats]
    start_rad: float

    def crank_rad(self, t_s: Floats) -> Floats:
        """(N,) right crank's angle θ, unwrapped, rad. Closed form: steady turn ⊕ slow drift ⊕ surge twice a turn."""
        t = np.asarray(t_s, dtype=np.float64)
        turn = self.rider.habits.cadence_rpm / 60 * 2 * np.pi
        base = self.start_rad + turn * t + wander_at(self.wander["phase"], t)
        return np.asarray(base + self.rider.habits.surge / 2 * np.sin(2 * base - 0.5))

    def points(self, t_s: Floats) -> Points:
        """Name → (N, 3) X, Y, Z mm at times (N,) s: joints and stickers of both sides, crank and axle."""
        t = np.atleast_1d(np.asarray(t_s, dtype=np.float64))
        drift = {k: wander_at(v, t) for k, v in self.wander.items() if k != "phase"}
        out = leg_points(self.rider, self.setup, self.posture, self.crank_rad(t), drift)
        upper_body(self.rider, self.setup, self.crank_rad(t), drift, out)
        return out


def ride(rider: SimRider, setup: SimSetup, seed: int = 1, *, steady: bool = False) -> Motion:
    """A ride on one set-up; `steady` switches every cycle-to-cycle wander off."""
    rng = np.random.default_rng([seed, 21])
    h, scale = rider.habits, 0.0 if steady else 1.0
    w = {"phase": wander(rng, h.cadence_wander_rpm * 0.1 * scale, 0.05, 0.25)}
    for s in SIDES:
        w[f"pitch_{s}"] = wander(rng, h.pitch_sd_deg * scale)
        w[f"knee_{s}"] = wander(rng, h.knee_sd_mm * scale)
        w[f"yaw_{s}"] = wander(rng, h.yaw_sd_deg * scale)
    for axis in "xyz":
        w[f"hip_{axis}"] = wander(rng, h.hip_sd_mm * scale)
        w[f"trunk_{axis}"] = wander(rng, 3.0 * scale, 0.05, 0.4)
    return Motion(rider, setup, settle(rider, setup), w, float(rng.uniform(0, 2 * np.pi)))


def leg_points(
    rider: SimRider, setup: SimSetup, posture: Posture, theta: Floats, drift: dict[str, Floats]
) -> Points:
    """Both legs, crank and pedals for right crank angles (N,) rad."""
    zero = np.zeros_like(theta)
    out: Points = {"bottom_bracket": np.stack([zero, zero, zero], axis=1)}
    for side in SIDES:
        th = theta if side == "right" else theta + np.pi
        sign = 1.0 if side == "right" else -1.0
        one = one_leg(rider, setup, posture, side, th, drift)
        for name, p in one.items():
            out[f"{name}_{side}"] = np.stack([p[:, 0], p[:, 1], sign * p[:, 2]], axis=1)
    return out


def hip_centre(
    rider: SimRider, setup: SimSetup, posture: Posture, side: str, th: Floats, drift: dict[str, Floats]
) -> Floats:
    """(N, 3) X, Y, outward of one hip centre: saddle point ⊕ seat offset ⊕ rocking ⊕ wander."""
    zero = np.zeros_like(th)
    sx, sy = setup.contact.saddle_xy_mm
    ox, oy = rider.habits.hip_over_saddle_mm
    x = sx + ox + 2.0 * np.cos(2 * th - 0.6) + drift.get("hip_x", zero)
    y = (
        sy
        + oy
        + posture.hip_shift_mm
        + 2.6 * np.cos(th - 0.3)
        + 1.2 * np.cos(2 * th)
        + drift.get("hip_y", zero)
    )
    sway = drift.get("hip_z", zero) * (1.0 if side == "right" else -1.0)
    return np.stack([x, y, rider.leg(side).hip_out_mm + sway + 1.5 * np.sin(th)], axis=1)


def one_leg(
    rider: SimRider, setup: SimSetup, posture: Posture, side: str, th: Floats, drift: dict[str, Floats]
) -> Points:
    """One leg's points as (N, 3) X, Y, outward; crank angle `th` of this side, rad."""
    leg, zero, contact = rider.leg(side), np.zeros_like(th), setup.contact
    x_c, z_c, psi = setup.cleat(side)
    pitch = harmonics(
        th, leg.pitch_mean_deg + posture.pitch_shift_deg[side], leg.pitch_cos_deg, leg.pitch_sin_deg
    )
    pitch = pitch + drift.get(f"pitch_{side}", zero)
    wish = leg.hanging_yaw_deg + 1.6 * np.cos(th - 2.2) + drift.get(f"yaw_{side}", zero)
    yaw = yaw_in_float(wish, psi, rider.float_in_deg, rider.float_out_deg)
    out_mm = contact.pedal_out_mm(side)
    axle = np.stack([contact.crank_mm * np.sin(th), contact.crank_mm * np.cos(th), zero + out_mm], axis=1)
    sole_y = rider.stack_mm + (contact.shim_left_mm if side == "left" else contact.shim_right_mm)

    def on_shoe(x: float, y: float, z: float) -> Floats:
        return axle + foot_point((x - x_c, sole_y + y, z - z_c), pitch, yaw)

    ankle = on_shoe(leg.malleolus_x_mm, leg.malleolus_y_mm, 0.0)
    hip = hip_centre(rider, setup, posture, side, th, drift)
    knee_out = out_mm + knee_path_mm(rider, setup, posture, side, th) + drift.get(f"knee_{side}", zero)
    thigh = np.sqrt(leg.thigh_mm**2 - (knee_out - hip[:, 2]) ** 2)
    shank = np.sqrt(leg.shank_mm**2 - (ankle[:, 2] - knee_out) ** 2)
    knee = np.column_stack([two_circles(hip[:, :2], thigh, ankle[:, :2], shank), knee_out])
    return dress(leg.sole_length_mm, leg.m5_mm, hip, knee, ankle, axle, on_shoe)


def dress(length, m5, hip, knee, ankle, axle, on_shoe) -> Points:  # type: ignore[no-untyped-def]
    """Stickers and shoe points around the joints: lateral ones straight outward of the joint centre, the patella's
    in front of the knee along the outer bisector, the pelvis' above and ahead of the hip."""
    lateral = np.array([0.0, 0.0, 1.0])
    u = hip - knee
    v = ankle - knee
    inner = u / np.linalg.norm(u, axis=1, keepdims=True) + v / np.linalg.norm(v, axis=1, keepdims=True)
    inner[:, 2] = 0.0
    ahead = -inner / np.linalg.norm(inner, axis=1, keepdims=True)
    return {
        "hip": hip, "knee": knee, "ankle": ankle,
        "greater_trochanter": hip + 78 * lateral, "lateral_femoral_condyle": knee + 52 * lateral,
        "lateral_malleolus": ankle + 38 * lateral, "patella": knee + 56 * ahead,
        "asis": hip + np.array([62.0, 88.0, 34.0]),
        "pedal": axle, "pedal_axle": axle + AXLE_END_OUT_MM * lateral,
        "crank_end": axle - 53 * lateral, "crank_root": axle * np.array([0, 0, 1]) - 62 * lateral,
        "heel": on_shoe(16.0, 30.0, 34.0), "fifth_metatarsal": on_shoe(m5[0], 22.0, m5[1] + 5.0),
        "foot": on_shoe(length - 68.0, 60.0, 0.0), "foot_rear": on_shoe(length - 173.0, 92.0, 0.0),
        "shoe_heel": on_shoe(30.0, 26.0, 0.0), "shoe_heel_low": on_shoe(14.0, 8.0, 0.0),
        "shoe_ball": on_shoe(0.66 * length, 26.0, 2.0), "shoe_ball_low": on_shoe(0.68 * length, 9.0, 2.0),
        "shoe_ball_in": on_shoe(0.70 * length, 20.0, -28.0), "shoe_ball_out": on_shoe(0.64 * length, 20.0, 30.0),
        "shoe_toe": on_shoe(length - 28.0, 22.0, -2.0), "shoe_toe_low": on_shoe(length - 12.0, 10.0, 0.0),
        "shoe_instep": on_shoe(0.47 * length, 52.0, 0.0), "shoe_cuff": on_shoe(58.0, 66.0, 0.0),
    }  # fmt: skip


def knee_path_mm(rider: SimRider, setup: SimSetup, posture: Posture, side: str, th: Floats) -> Floats:
    """(N,) mean sideways path of the knee outward of the pedal centre, mm (hidden truth).

    The knee follows a sideways shift of the foot only in part; yaw that the float denies throws it outward around
    the top, and so does a higher knee.
    """
    leg = rider.leg(side)
    base = harmonics(th, leg.knee_mean_mm, leg.knee_cos_mm, leg.knee_sin_mm)
    foot_out = setup.contact.pedal_out_mm(side) - setup.cleat(side)[1]
    foot_out_first = rider.setup.contact.pedal_out_mm(side) - rider.setup.cleat(side)[1]
    pedal_shift = setup.contact.pedal_out_mm(side) - rider.setup.contact.pedal_out_mm(side)
    shift = rider.habits.follow * (foot_out - foot_out_first) - pedal_shift
    near_top = ((1 + np.cos(th - 0.35)) / 2) ** 2
    flare = leg.flare_mm_per_deg * posture.denied_deg[side] + 0.35 * posture.top_flexion_shift_deg[side]
    return np.asarray(base + shift + flare * near_top)


def upper_body(
    rider: SimRider, setup: SimSetup, theta: Floats, drift: dict[str, Floats], out: Points
) -> None:
    """Adds pelvis, shoulders, elbows, wrists and head: trunk and arm chains close from hips to hoods."""
    zero = np.zeros_like(theta)
    pelvis = (out["hip_left"] + out["hip_right"]) / 2
    wrist = np.stack([zero + setup.contact.hood_x_mm - 34, zero + setup.contact.hood_y_mm + 34], axis=1)
    sway = 4.0 * np.sin(theta - 0.4) + drift.get("trunk_z", zero)
    bend = np.radians(rider.elbow_flexion_deg) + 0.012 * drift.get("trunk_x", zero)
    a, b = rider.upper_arm_mm, rider.forearm_mm
    arm = np.sqrt(a * a + b * b + 2 * a * b * np.cos(bend))
    trunk = rider.trunk_mm + 1.5 * np.sin(2 * np.pi * 0.3 * theta / 9.2) + 0.3 * drift.get("trunk_y", zero)
    mid = two_circles(pelvis[:, :2], trunk, wrist, arm)
    for side in SIDES:
        sign = 1.0 if side == "right" else -1.0
        rock = sign * 2.0 * np.cos(theta - 0.8)
        shoulder2 = mid + np.stack([rock, -0.5 * rock], axis=1)
        d = shoulder2 - wrist
        reach = np.hypot(d[:, 0], d[:, 1])
        along = (b * b - a * a + reach**2) / (2 * reach)
        e = d / reach[:, None]
        down = np.stack([-e[:, 1], e[:, 0]], axis=1)
        down *= np.where(down[:, 1:] > 0, -1.0, 1.0)
        elbow2 = wrist + along[:, None] * e + np.sqrt(np.maximum(b * b - along**2, 0))[:, None] * down
        z_s, z_w = sign * rider.shoulder_out_mm + sway, sign * (zero + 208.0)
        out[f"acromion_{side}"] = np.column_stack([shoulder2, z_s])
        out[f"shoulder_{side}"] = np.column_stack([shoulder2 - [0, 18], z_s - sign * 18])
        out[f"elbow_{side}"] = np.column_stack([elbow2, z_s * 0.45 + z_w * 0.55 + sign * 22])
        out[f"wrist_{side}"] = np.column_stack([wrist, z_w + sign * 14])
        out[f"hand_{side}"] = np.column_stack([wrist + np.array([34.0, -8.0]), z_w])
    mid_z = sway
    ahead = (mid - pelvis[:, :2]) / np.linalg.norm(mid - pelvis[:, :2], axis=1, keepdims=True)
    out["pelvis"] = pelvis
    out["neck"] = np.column_stack([mid + 60 * ahead + [0, 6], mid_z])
    out["head"] = np.column_stack([mid + 152 * ahead + [22, 46], mid_z])
    normal = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    out["waist"] = np.column_stack([pelvis[:, :2] + 0.38 * (mid - pelvis[:, :2]) + 34 * normal, 0.4 * mid_z])
    out["chest"] = np.column_stack([pelvis[:, :2] + 0.76 * (mid - pelvis[:, :2]) + 18 * normal, 0.8 * mid_z])


def least_flexion_deg(rider: SimRider, setup: SimSetup, posture: Posture, side: str) -> tuple[float, float]:
    """Least and greatest sagittal knee flexion over the mean turn, deg."""
    p = one_leg(rider, setup, posture, side, np.radians(np.arange(0.0, 360.0, 1.0)), {})
    f = flexion_deg(p["hip"], p["knee"], p["ankle"])
    return float(f.min()), float(f.max())


def settle(rider: SimRider, setup: SimSetup) -> Posture:
    """How the rider truly settles on a set-up (hidden truth).

    The rigid rider keeps pitch and seat; this one lowers the hip by `pelvis_mm_per_deg` and finds the pitch shift
    at which the least knee flexion changed by `knee_share` of the rigid change (bisection, 1e-6°).
    """
    none = dict.fromkeys(SIDES, 0.0)
    denied = {s: _denied_deg(rider, setup, s) for s in SIDES}
    first = Posture(0.0, none, {s: _denied_deg(rider, rider.setup, s) for s in SIDES}, none)
    rigid = Posture(0.0, none, denied, none)
    before = {s: least_flexion_deg(rider, rider.setup, first, s) for s in SIDES}
    ask = {s: least_flexion_deg(rider, setup, rigid, s)[0] - before[s][0] for s in SIDES}
    hip = rider.habits.pelvis_mm_per_deg * sum(ask.values()) / 2
    pitch: dict[str, float] = {}
    for s in SIDES:
        goal = before[s][0] + rider.leg(s).knee_share * ask[s]
        pitch[s] = (
            0.0 if abs(ask[s]) < 1e-9 and hip == 0.0 else _pitch_for(rider, setup, s, hip, denied, goal)
        )
    settled = Posture(hip, pitch, denied, none)
    top = {s: least_flexion_deg(rider, setup, settled, s)[1] - before[s][1] for s in SIDES}
    return Posture(hip, pitch, denied, top)


def _denied_deg(rider: SimRider, setup: SimSetup, side: str) -> float:
    th = np.radians(np.arange(360.0))
    wish = rider.leg(side).hanging_yaw_deg + 1.6 * np.cos(th - 2.2)
    got = yaw_in_float(wish, setup.cleat(side)[2], rider.float_in_deg, rider.float_out_deg)
    return float(np.mean(wish - got))


def _pitch_for(
    rider: SimRider, setup: SimSetup, side: str, hip: float, denied: dict[str, float], goal: float
) -> float:
    low, high = -12.0, 12.0  # a higher heel flexes the knee: least flexion grows with pitch
    none = dict.fromkeys(SIDES, 0.0)
    for _ in range(40):
        mid = (low + high) / 2
        trial = Posture(hip, dict.fromkeys(SIDES, mid), denied, none)
        if least_flexion_deg(rider, setup, trial, side)[0] < goal:
            low = mid
        else:
            high = mid
    return (low + high) / 2
