"""A disc taken for a lost marker is on trial: for a while it must go on as the marker did in earlier turns.

Something that passes by, itself a marker perhaps, may be where the marker is awaited at one moment and look like it.
It does not move like it, though: where a marker differs from its earlier turns, it does so by nearly the same for a
while; what passes drifts away from where the marker is awaited.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import hypot

from fitwright.quantity import Floats
from fitwright.vision.awaited import Awaited

TRIAL_S = 0.15
LEAST_STEPS = 2.5
"""What is lost for good after fewer frame steps was not the marker."""
GONE_STEPS = 2.5
"""So many frame steps without it, and it is lost for good."""
STRAYS_PX, STRAYS_SHARE = 3.0, 0.1
"""A marker strays, against earlier turns, by so much and by this share of its top speed (our choice)."""
JUMP_SHARE = 0.5
"""Where what is told leaves its own way by more than this share of the marker's top speed, it has jumped: other turns
tell it now, or others than before."""


@dataclass(frozen=True)
class Trial:
    """A marker was taken back at `since_s`, having been seen last at `before_s` at `before_px` (2,), as it was in
    earlier turns at the times `turns`; until then it reached `top_speed` px/s.

    At `from_s` it was `off_px` (2,) from where it was awaited (None: nothing told it), and its turn `late_s` later
    than supposed (None: other markers told the moment); in the last frame, at `told_s`, it was awaited at `told_px`.
    """

    since_s: float
    before_s: float
    before_px: Floats
    turns: list[float]
    top_speed: float
    from_s: float = 0.0
    off_px: Floats | None = None
    late_s: float | None = None
    told_s: float = 0.0
    told_px: Floats | None = None

    def judged_by(self, there: Awaited, place: Floats, time_s: float) -> Trial:
        """The trial from now on, the marker being at `place` (2,) and awaited `there`."""
        late = there.late_s(place)
        off, late_s = place - there.uv_px - late * there.speed, late if there.slack_s > 0 else None
        return replace(self, from_s=time_s, off_px=off, late_s=late_s, told_s=time_s, told_px=place - off)

    def seen(
        self, time_s: float, place: Floats, told: Awaited | None, step_s: float
    ) -> tuple[Trial, bool, bool]:  # fmt: skip
        """The trial after a frame in which the marker was seen; whether it has ended; whether it is the marker.

        Args:
            place: (2,) where it was seen. told: where it was awaited, if anything tells. step_s: usual time between
                frames.
        """
        ended = abs(time_s - self.since_s) > TRIAL_S
        if told is None:
            return self, ended, True
        if self.off_px is None or self.told_px is None or (told.slack_s > 0) != (self.late_s is not None):
            good = told.off_px(place) <= told.near_px  # it is told for the first time, or in another way
            return self.judged_by(told, place, time_s), ended or not good, good
        went = told.uv_px - self.told_px - (time_s - self.told_s) * told.speed
        if hypot(*went) > STRAYS_PX + JUMP_SHARE * self.top_speed * step_s:
            return self.judged_by(told, place, time_s), ended, True
        allowed = STRAYS_PX + STRAYS_SHARE * self.top_speed * abs(time_s - self.from_s)
        good = hypot(*(place - told.uv_px - self.off_px)) <= allowed
        return replace(self, told_s=time_s, told_px=told.uv_px), ended or not good, good

    def lost(self, time_s: float, seen_s: float, step_s: float) -> tuple[bool, bool]:
        """Whether the trial has ended in a frame without the marker, seen at `seen_s` last; whether that was it."""
        ended = abs(time_s - seen_s) > GONE_STEPS * step_s
        return ended, not ended or abs(seen_s - self.since_s) >= LEAST_STEPS * step_s
