"""Body measures of a large open sample, for plausibility, percentiles and priors.

Sample: 4082 men and 1986 women, soldiers of 17 to 58 years, USA 2012 (Gordon et al. 2014, NATICK/TR-15/007;
public domain), bare foot, right side. They are not cyclists and not the general population: a percentile here
says where a value lies among these people, nothing about what it should be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist

from fitwright.errors import InputError
from fitwright.quantity import Measured, combine

SAMPLE = "4082 M / 1986 F soldiers, USA 2012 (Gordon et al. 2014)"
WHO = {
    "M": "4082 men, soldiers, USA 2012, measured on the right side (Gordon et al. 2014)",
    "F": "1986 women, soldiers, USA 2012, measured on the right side (Gordon et al. 2014)",
    "": "4082 men and 1986 women mixed half and half, soldiers, USA 2012, right side (Gordon et al. 2014)",
}
Z999 = NormalDist().inv_cdf(0.999)
POOLED_NOTE = "sex not given: both samples mixed half and half"


@dataclass(frozen=True)
class Reference:
    """Mean and sample SD of one measure (mm, or 1 for a ratio)."""

    mean: float
    sd: float
    unit: str
    definition: str


REFERENCE: Mapping[str, Mapping[str, Reference]] = {
    "stature_mm": {
        "M": Reference(1756.2, 68.6, "mm", "stature"),
        "F": Reference(1628.5, 64.2, "mm", "stature"),
    },
    "crotch_height_mm": {
        "M": Reference(845.9, 46.5, "mm", "floor to crotch, standing"),
        "F": Reference(782.3, 44.6, "mm", "floor to crotch, standing"),
    },
    "trochanter_height_mm": {
        "M": Reference(900.9, 49.2, "mm", "floor to trochanterion"),
        "F": Reference(845.4, 44.7, "mm", "floor to trochanterion"),
    },
    "thigh_mm": {
        "M": Reference(409.3, 28.4, "mm", "trochanterion to lateral femoral epicondyle, heights subtracted"),
        "F": Reference(379.4, 24.0, "mm", "trochanterion to lateral femoral epicondyle, heights subtracted"),
    },
    "shank_mm": {
        "M": Reference(
            418.8, 24.6, "mm", "lateral femoral epicondyle to lateral malleolus, heights subtracted"
        ),
        "F": Reference(
            403.2, 25.9, "mm", "lateral femoral epicondyle to lateral malleolus, heights subtracted"
        ),
    },
    "malleolus_height_mm": {
        "M": Reference(72.9, 5.7, "mm", "floor to lateral malleolus"),
        "F": Reference(62.7, 5.1, "mm", "floor to lateral malleolus"),
    },
    "foot_length_mm": {
        "M": Reference(271.2, 13.1, "mm", "heel to longest toe"),
        "F": Reference(246.3, 12.4, "mm", "heel to longest toe"),
    },
    "ball_of_foot_length_mm": {
        "M": Reference(200.9, 10.5, "mm", "heel to first metatarsophalangeal protrusion"),
        "F": Reference(182.1, 9.6, "mm", "heel to first metatarsophalangeal protrusion"),
    },
    "heel_breadth_mm": {
        "M": Reference(72.5, 5.5, "mm", "greatest horizontal breadth of the heel"),
        "F": Reference(67.2, 5.2, "mm", "greatest horizontal breadth of the heel"),
    },
    "foot_breadth_mm": {
        "M": Reference(101.9, 5.2, "mm", "horizontal foot breadth"),
        "F": Reference(92.7, 4.8, "mm", "horizontal foot breadth"),
    },
    "ball_to_foot_length": {
        "M": Reference(0.741, 0.015, "1", "ball of foot length / foot length"),
        "F": Reference(0.739, 0.013, "1", "ball of foot length / foot length"),
    },
    "breadth_to_foot_length": {
        "M": Reference(0.376, 0.017, "1", "foot breadth / foot length"),
        "F": Reference(0.377, 0.018, "1", "foot breadth / foot length"),
    },
    "crotch_to_stature": {
        "M": Reference(0.4815, 0.014, "1", "crotch height / stature"),
        "F": Reference(0.480, 0.015, "1", "crotch height / stature"),
    },
    "thigh_to_shank": {
        "M": Reference(0.978, 0.058, "1", "thigh / shank"),
        "F": Reference(0.943, 0.062, "1", "thigh / shank"),
    },
    "thigh_to_stature": {
        "M": Reference(0.2330, 0.0122, "1", "thigh / stature"),
        "F": Reference(0.2329, 0.0107, "1", "thigh / stature"),
    },
    "shank_to_stature": {
        "M": Reference(0.2384, 0.0083, "1", "shank / stature"),
        "F": Reference(0.2475, 0.0107, "1", "shank / stature"),
    },
    "thigh_to_crotch": {
        "M": Reference(0.4839, 0.0228, "1", "thigh / crotch height"),
        "F": Reference(0.4853, 0.0225, "1", "thigh / crotch height"),
    },
    "shank_to_crotch": {
        "M": Reference(0.4951, 0.0127, "1", "shank / crotch height"),
        "F": Reference(0.5154, 0.0155, "1", "shank / crotch height"),
    },
}


def reference(measure: str, sex: str = "") -> Reference:
    """The sample's mean and SD for "M", "F", or both mixed half and half when the sex is not given.

    Mixture: mean of means; variance = mean variance + variance of the two means.
    """
    if measure not in REFERENCE:
        raise InputError("measure", "not in the reference", value=measure, allowed=", ".join(REFERENCE))
    if sex not in ("M", "F", ""):
        raise InputError("sex", "unknown", value=sex, allowed="M, F or empty")
    both = REFERENCE[measure]
    if sex:
        return both[sex]
    m, f = both["M"], both["F"]
    sd = combine(m.sd / 2**0.5, f.sd / 2**0.5, (m.mean - f.mean) / 2)
    return Reference((m.mean + f.mean) / 2, sd, m.unit, m.definition)


@dataclass(frozen=True)
class Place:
    """Where a value lies in the sample: percentile 0-100 (normal), z = (value − mean)/SD, and the sample."""

    percentile: float
    z: float
    sample: str


def place(measure: str, value: float, sex: str = "") -> Place:
    """Percentile of a value under a normal with the sample's mean and SD."""
    ref = reference(measure, sex)
    z = (value - ref.mean) / ref.sd
    note = SAMPLE if sex else f"{SAMPLE}; {POOLED_NOTE}"
    return Place(100 * NormalDist().cdf(z), z, note)


def span(measure: str, sex: str = "") -> tuple[float, float]:
    """The values between which 99.8 % of the sample lie (0.1 to 99.9 %), under a normal."""
    ref = reference(measure, sex)
    return ref.mean - Z999 * ref.sd, ref.mean + Z999 * ref.sd


def prior(measure: str, sex: str = "") -> Measured:
    """The sample's mean ± SD as a prior for one person."""
    ref = reference(measure, sex)
    return Measured(ref.mean, ref.sd, ref.unit, f"prior: {SAMPLE}")


def ball_of_foot_x(foot_length_mm: float, sex: str = "") -> Measured:
    """Expected x of the first metatarsal head from foot length, mm; a check on a mark, never its replacement."""
    ratio = reference("ball_to_foot_length", sex)
    return Measured(
        ratio.mean * foot_length_mm, ratio.sd * foot_length_mm, "mm", f"foot length × ratio: {SAMPLE}"
    )
