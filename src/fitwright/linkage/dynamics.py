"""Joint moments and powers of one leg from its motion and the pedal's force: planar Newton–Euler, foot upward.

Frame: x forward, y up, angles and moments counter-clockwise positive where x points right. Joint moments are turned
into the joint's own sense: hip flexion, knee flexion and ankle plantar-flexion positive. SI inside (m, s, N, kg).

These are net moments of the whole joint in the plane of the film; they say nothing about the load of a single tissue.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.linkage.segments import SegmentFamily
from fitwright.quantity import Floats

G = 9.81
JOINTS = ("hip", "knee", "ankle")
SENSE = {"hip": 1.0, "knee": -1.0, "ankle": -1.0}  # counter-clockwise → flexion, flexion, plantar-flexion


@dataclass(frozen=True)
class Motion:
    """A point or an angle over time with both derivatives; arrays (n, 2) in m or (n,) in rad."""

    value: Floats
    rate: Floats
    acceleration: Floats


@dataclass(frozen=True)
class LegMotion:
    """The points of one leg: hip, knee and ankle centre, and the line that stands for the foot (proximal, distal)."""

    hip: Motion
    knee: Motion
    ankle: Motion
    heel: Motion
    toe: Motion


@dataclass(frozen=True)
class FootLoad:
    """What the pedal (or the ground) does to the foot.

    Attributes: force_n (n, 2); at_m (n, 2): where it acts; moment_nm (n,): about that place, counter-clockwise.
    """

    force_n: Floats
    at_m: Floats
    moment_nm: Floats


@dataclass(frozen=True)
class JointLoads:
    """One joint over time.

    Attributes: moment_nm (n,) in the joint's sense; power_w (n,): moment × joint angular velocity, positive where the
    joint gives energy; force_n (n, 2): of the proximal on the distal segment.
    """

    moment_nm: Floats
    power_w: Floats
    force_n: Floats


@dataclass(frozen=True)
class LegLoads:
    """All three joints, and the energy check.

    Attributes (all n,): pedal_w: what the foot gives to the pedal. through_hip_w: what the trunk gives by moving the
    hip joint. unbalanced_w: rate of kinetic and potential energy − (joint powers + through_hip_w − pedal_w); zero for
    exact derivatives. `family` names the segment table.
    """

    hip: JointLoads
    knee: JointLoads
    ankle: JointLoads
    pedal_w: Floats
    through_hip_w: Floats
    unbalanced_w: Floats
    family: str


def over_time(time_s: Floats, values: Floats) -> Motion:
    """Central differences of samples (n,) or (n, 2); smoothing is the caller's.

    Raises:
        InputError: fewer than five samples, a gap (fill it first), or time that does not increase.
    """
    time = np.asarray(time_s, dtype=np.float64)
    v = np.asarray(values, dtype=np.float64)
    if time.ndim != 1 or time.size < 5 or v.shape[0] != time.size:
        raise InputError(
            "time_s", "too short, or not one time per sample", value=time.size, allowed="5 or more"
        )
    if not (np.isfinite(v).all() and np.isfinite(time).all()):
        raise InputError("motion", "has a gap", hint="fill short gaps before differentiating")
    if np.any(np.diff(time) <= 0):
        raise InputError("time_s", "does not increase")
    rate = np.gradient(v, time, axis=0)
    return Motion(v, rate, np.gradient(rate, time, axis=0))


def over_turn(values: Floats, turn_s: float, harmonics: int | None = None) -> Motion:
    """Exact derivatives of one whole turn of even samples (n,) or (n, 2), repeated for ever (Fourier).

    `harmonics`: how many are kept; a measured turn's higher ones are noise that two derivatives would blow up.
    """
    v = np.asarray(values, dtype=np.float64)
    check_range("turn_s", turn_s, 0.1, 10, "s")
    if not np.isfinite(v).all():
        raise InputError("motion", "has a gap", hint="fill short gaps before differentiating")
    n = v.shape[0]
    w = 2j * np.pi * np.fft.rfftfreq(n, turn_s / n)
    w = w.reshape(-1, *([1] * (v.ndim - 1)))
    spectrum = np.fft.rfft(v, axis=0)
    if harmonics is not None:
        spectrum[harmonics + 1 :] = 0
        v = np.fft.irfft(spectrum, n, axis=0)
    first = w * spectrum
    if n % 2 == 0:
        first[-1] = 0  # the highest wave has no slope of its own
    return Motion(v, np.fft.irfft(first, n, axis=0), np.fft.irfft(w * w * spectrum, n, axis=0))


def inverse_dynamics(motion: LegMotion, load: FootLoad, mass_kg: float, family: SegmentFamily) -> LegLoads:
    """Joint moments (Nm), powers (W) and forces (N) of one leg.

    Args:
        motion: points in m with derivatives, all (n, 2). load: on the foot, (n, 2), (n, 2), (n,).
        mass_kg: the rider's whole mass. family: which segment table.
    """
    check_range("mass_kg", mass_kg, 20, 250, "kg")
    lines = ((motion.hip, motion.knee), (motion.knee, motion.ankle), (motion.heel, motion.toe))
    joints = (motion.hip, motion.knee, motion.ankle)
    force, moment, at = load.force_n, load.moment_nm, load.at_m
    omega = [_turning(*line)[0] for line in lines]
    energy_rate = np.zeros(len(force))
    out: dict[str, tuple[Floats, Floats]] = {}
    for i in (2, 1, 0):
        part, (near, far), joint = family.leg[i], lines[i], joints[i]
        mass = part.mass * mass_kg
        centre = near.value + part.centre * (far.value - near.value)
        speed = near.rate + part.centre * (far.rate - near.rate)
        acceleration = near.acceleration + part.centre * (far.acceleration - near.acceleration)
        alpha, length = _turning(near, far)[1:]
        inertia = mass * (part.gyration * length) ** 2
        held = mass * acceleration - force
        held[:, 1] += mass * G
        turned = inertia * alpha - moment - _cross(at - centre, force) - _cross(joint.value - centre, held)
        out[JOINTS[i]] = (turned, held)
        energy_rate += np.sum(mass * acceleration * speed, axis=1) + mass * G * speed[:, 1]
        energy_rate += inertia * alpha * omega[i]
        force, moment, at = -held, -turned, joint.value
    return _told(out, omega, motion, load, energy_rate, family)


def _told(
    out: dict[str, tuple[Floats, Floats]], omega: list[Floats], motion: LegMotion, load: FootLoad,
    energy_rate: Floats, family: SegmentFamily,
) -> LegLoads:  # fmt: skip
    """Powers, signs and the energy check; the pelvis counts as not turning (its turning adds to the hip's power)."""
    rates = {"hip": omega[0], "knee": omega[1] - omega[0], "ankle": omega[2] - omega[1]}
    loads = {
        name: JointLoads(SENSE[name] * moment, moment * rates[name], force)
        for name, (moment, force) in out.items()
    }
    foot_rate = motion.heel.rate + omega[2][:, None] * _quarter(load.at_m - motion.heel.value)
    given = np.sum(load.force_n * foot_rate, axis=1) + load.moment_nm * omega[2]
    through_hip = np.sum(loads["hip"].force_n * motion.hip.rate, axis=1)
    powers = loads["hip"].power_w + loads["knee"].power_w + loads["ankle"].power_w
    return LegLoads(
        loads["hip"], loads["knee"], loads["ankle"], -given, through_hip,
        energy_rate - powers - given - through_hip, family.key,
    )  # fmt: skip


def _turning(near: Motion, far: Motion) -> tuple[Floats, Floats, float]:
    """Angular velocity and acceleration (rad/s, rad/s²) of the line near–far, and its mean length (m)."""
    r, v, a = far.value - near.value, far.rate - near.rate, far.acceleration - near.acceleration
    square = np.sum(r * r, axis=1)
    if np.any(square == 0):
        raise InputError("motion", "two points of a segment lie on each other")
    omega = _cross(r, v) / square
    alpha = _cross(r, a) / square - 2 * omega * np.sum(r * v, axis=1) / square
    return omega, alpha, float(np.mean(np.sqrt(square)))


def _cross(p: Floats, q: Floats) -> Floats:
    """z of p × q, (n,)."""
    return np.asarray(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])


def _quarter(r: Floats) -> Floats:
    """r turned by +90°."""
    return np.stack([-r[:, 1], r[:, 0]], axis=1)
