"""Following disc markers from frame to frame: predict, fit, believe or lose, find again.

A marker is never invented. The fit's residual, contrast, size and distance from the prediction decide whether what
was found is the marker; when they do not agree it is lost, its position is NaN, and it is looked for along its own
past path (a pedalling rider comes by again) until it is certain.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from fitwright.quantity import Floats
from fitwright.vision.awaited import LEADERS, Awaited, at_rest, by_the_clock, leaders
from fitwright.vision.chains import FASTEST_TURN_RAD_S, Chain, certain, grow
from fitwright.vision.disc import DiscFit, DiscShape, fit_discs
from fitwright.vision.past import Past, Paths
from fitwright.vision.seek import Portrait, peaks, portrait
from fitwright.vision.snap import Spot
from fitwright.vision.step_kernel import (
    HISTORY,
    ORDERS,
    credible,
    expected,
    learn,
    take,
    to_fit,
)
from fitwright.vision.trial import Trial
from fitwright.vision.video import Luma

SHORT_GAP_S = 0.12
WAIT_S = 1.6
"""A marker whose way is known comes by again within a turn; only then is it sought elsewhere."""
WIDEST_S = 0.32
"""How far a lost marker is looked for: so many seconds at the fastest speed (a crank's whole circle)."""
RANK_EVERY_S = 0.25
"""How far each marker goes is reckoned anew so often: it changes little from frame to frame."""
TURN_TOLD_S = 0.5
"""So long where a marker was one turn ago at the same time of it tells where it is."""
AT_ONCE_PX, OFF_TIMES = 3.0, 8.0
"""A marker missed for a frame or two is no further from where it was expected than this and so many times what it was
off lately: with few frames a second it is off by pixels where it turns."""
NO_DOUBT_PX = 6.0
"""A disc so near to where a marker is awaited is it."""
GUESSED_PX, TOLD_PX = 1.0, 3.0
"""A marker seen once or twice is looked for before the fit when it may be off by more; by so much where earlier turns
have told how fast it goes."""
NEAR_PATH_PX = 14.0
"""From turn to turn a marker's path scatters by no more than this."""
LONG_ENOUGH_S = 0.3
"""A marker seen for so long has shown how fast it moves."""
STAYS_PX, DRIFTS_PX, STANDS_PX_PER_S = 12.0, 0.5, 20.0
"""A marker that does not go with the rider is no further than this from its place, which shifts by so much a frame
(the camera sways), unless one that stands still is found elsewhere (the camera was moved)."""
OFTEN, SELDOM, LONG_LOST = 3, 12, 60
"""A wide search is made in every third frame, and in every twelfth when a marker has been lost for long."""


class DiscFollower:
    """The state of P markers on their way through the film.

    Args:
        spots: the markers in the marked frame. time_s: of that frame. exposure_s: motion blur = velocity × this.
        velocity: (P, 2) px/s, NaN where not known. step_s: usual time between frames. white: grey level of the
            brightest pixel (255 for 8 bit). bend: (P, 2) acceleration px/s², where known. standing: markers that do
            not go with the rider.
    """

    def __init__(
        self, spots: list[Spot], time_s: float, exposure_s: float, velocity: Floats | None, step_s: float,
        white: float, reach_px_per_s: float, bend: Floats | None = None, standing: Iterable[int] = (),
    ) -> None:  # fmt: skip
        p = len(spots)
        self.shape = DiscShape(
            *(np.array([getattr(s, name) for s in spots]) for name in ("disc_px", "ring_px", "sigma_px"))
        )
        self.exposure_s, self.step_s, self.per_grey = exposure_s, step_s, 255.0 / white
        self.reach_px_per_s = reach_px_per_s
        self.times = np.full((p, HISTORY), np.nan)
        self.places = np.full((p, HISTORY, 2), np.nan)
        self.times[:, 0], self.places[:, 0] = time_s, np.array([s.uv_px for s in spots]).reshape(p, 2)
        self.known = np.ones(p, dtype=np.intp)
        known = np.full((p, 2), np.nan) if velocity is None else velocity
        self.hint = np.nan_to_num(known)
        self.blind, self.told = np.isnan(known[:, 0]), np.zeros(p, dtype=np.bool_)
        self.bend = np.zeros((p, 2)) if bend is None else np.nan_to_num(bend)
        self.guesses, self.misses = np.full((p, ORDERS, 2), np.nan), np.zeros((p, ORDERS))
        self.scale, self.first_scale = np.ones(p), np.ones(p)
        self.amplitudes = np.array([s.amplitudes for s in spots]).reshape(p, 3)
        self.contrast = self.amplitudes[:, 1].copy()
        self.rms = np.clip([s.rms for s in spots], 0.7, 12.0)
        self.background = self.rms.copy()
        self.lost = np.zeros(p, dtype=np.intp)
        self.paths = Paths(p)
        self.awaited: dict[int, Awaited] = {}
        self.ranked, self.resting, self.ranked_s = list[int](), set[int](), np.nan
        self.chains: list[list[Chain]] = [[] for _ in spots]
        self.trials: dict[int, Trial] = {}
        self.disowned: dict[int, float] = {}
        self.portraits: dict[int, Portrait] = {}
        self.homes = np.full((p, 2), np.nan)
        self.homes[list(standing)] = self.places[list(standing), 0]

    def step(self, time_s: float, luma: Luma) -> tuple[Floats, Floats]:
        """Centres (P, 2) and their standard uncertainty (P, 2) in this frame, NaN where a marker is not seen."""
        uv, u = np.full((2, len(self.known), 2), np.nan)
        predicted, velocity = expected(
            self.times, self.places, self.known, self.hint, self.bend, self.misses, 2.5 * self.step_s, time_s,
            self.guesses,
        )  # fmt: skip
        if self.known.min() < 3:
            self._look_around(time_s, luma, predicted, velocity)
        index = to_fit(
            self.lost, predicted, velocity, self.shape.ring_px, self.scale, self.exposure_s, *luma.shape[::-1]
        )  # fmt: skip
        if index.size:
            start, speed = predicted[index], velocity[index]
            fit = self.fit_at(luma, index, start, speed)
            self._accept(index, self._believable(index, fit, start, speed, time_s), fit, time_s, uv, u)
        self._try(time_s, uv, u)
        missing = np.isnan(uv[:, 0]).nonzero()[0]
        if missing.size:
            self.lost[missing] += 1
            for i in missing[self.lost[missing] == 1]:
                self.portraits.pop(int(i), None)
            self._await(missing, time_s, predicted, velocity)
            for i in missing:
                self._find_again(luma, int(i), time_s, uv, u)
        return uv, u

    def _try(self, time_s: float, uv: Floats, u: Floats) -> None:
        """Disown what was taken for a lost marker and goes another way than that one would, or is lost at once."""
        self.disowned = {}
        for i, trial in list(self.trials.items()):
            if np.isnan(uv[i, 0]):
                ended, good = trial.lost(time_s, float(self.times[i, 0]), self.step_s)
            else:
                gone = time_s - trial.before_s + (trial.late_s or 0.0)
                told = self._at_home(i) or self._told(i, time_s, gone, trial.turns)
                self.trials[i], ended, good = trial.seen(time_s, uv[i], told, self.step_s)
            if ended:
                del self.trials[i]
            if not good:
                self._disown(i, trial)
                uv[i], u[i] = np.nan, np.nan

    def _disown(self, i: int, trial: Trial) -> None:
        """Forget all that was taken for marker i since the trial began."""
        self.disowned[i] = trial.since_s
        self.times[i, 0], self.places[i, 0], self.known[i] = trial.before_s, trial.before_px, 1
        self.paths.forget(i, trial.since_s, trial.before_s)

    def past(self, i: int) -> Past:
        """Where marker i was within the last turns."""
        return self.paths.past(i, self.times[:, 0])

    def _look_around(self, time_s: float, luma: Luma, predicted: Floats, velocity: Floats) -> None:
        """Mend in place the predictions of markers whose motion is hardly known yet, by looking before fitting."""
        gap = np.abs(time_s - self.times[:, 0])
        blind = (self.known == 1) & self.blind
        speed = np.hypot(*velocity.T)
        # a turning point leaves its tangent by about this; one at rest may be at the end of its way, where earlier
        # turns do not tell more
        off, turned = (
            np.where(self.told, 0.1, 0.35),
            np.where(self.told, 0.25 * speed, 0.3 * self.reach_px_per_s),
        )
        guess = off * speed * gap + FASTEST_TURN_RAD_S * turned * gap**2
        unsure = (self.lost == 0) & (
            blind | ((self.known < 3) & (guess > np.where(self.told, TOLD_PX, GUESSED_PX)))
        )
        sits = np.where(((self.lost == 0) & ~unsure)[:, None], predicted, np.nan)
        wanted: list[tuple[int, Floats]] = []
        for i in np.flatnonzero(unsure):
            reach = self.reach_px_per_s * gap[i] + 6.0 if blind[i] else guess[i] + 4.0
            wanted += [
                (int(i), place) for place in self._candidates(luma, int(i), predicted[i], float(reach), sits)
            ]
        for k, found in _one_to_one(wanted, predicted, self.shape.ring_px):
            velocity[k] = (found - self.places[k, 0]) / (time_s - self.times[k, 0])
            predicted[k] = found

    def fit_at(self, luma: Luma, index: NDArray[np.intp], uv: Floats, velocity: Floats) -> DiscFit:
        """Fit markers `index` from places uv (N, 2), smeared by their velocity (N, 2)."""
        return fit_discs(
            self.shape, index, luma, self.per_grey, uv, velocity * self.exposure_s, self.scale[index],
            self.amplitudes[index], self.rms[index], self.background[index],
        )  # fmt: skip

    def _believable(
        self, index: NDArray[np.intp], fit: DiscFit, predicted: Floats, velocity: Floats, time_s: float
    ) -> NDArray[np.bool_]:
        """Which fits are the marker."""
        found: NDArray[np.bool_] = credible(
            index, fit.uv_px, fit.scale, fit.contrast, fit.rms, fit.step_px, predicted, velocity,
            time_s - self.times[index, 0], self.contrast, self.rms, self.first_scale, self.shape.ring_px,
            self.known, self.misses, self.homes, STAYS_PX,
        )  # fmt: skip
        return found

    def _accept(
        self, index: NDArray[np.intp], good: NDArray[np.bool_], fit: DiscFit, time_s: float, uv: Floats, u: Floats
    ) -> None:  # fmt: skip
        """Take the good fits of markers `index` into the state and into this frame's result."""
        take(index, good, time_s, fit.uv_px, self.times, self.places, self.known, self.hint, self.guesses,
             self.misses, self.paths.time_s, self.paths.uv_px, self.paths.n)  # fmt: skip
        learn(index, good, fit.uv_px, fit.scale, fit.amplitudes, fit.rms, fit.background_rms, fit.covariance,
              self.scale, self.amplitudes, self.first_scale, self.contrast, self.rms, self.background, self.lost,
              self.homes, DRIFTS_PX, uv, u)  # fmt: skip

    def _await(self, missing: NDArray[np.intp], time_s: float, predicted: Floats, velocity: Floats) -> None:
        """Where lost markers should be and how they should move, as far as anything tells: for a frame or two simply
        as predicted, then as in earlier turns; in the first turn as predicted, ever less surely."""
        self.awaited = {}
        for i in map(int, missing):
            gone = time_s - self.times[i, 0]
            if home := self._at_home(i):
                self.awaited[i] = home
            elif abs(gone) < 2.5 * self.step_s and self.known[i] > 2:  # it cannot have turned off its way
                near = AT_ONCE_PX + OFF_TIMES * float(self.misses[i].min())
                self.awaited[i] = Awaited(predicted[i], velocity[i], near_px=near)
            elif told := self._told(i, time_s, gone):
                self.awaited[i] = told
            elif abs(gone) < SHORT_GAP_S:
                fastest = (1.0 if self.blind[i] and self.known[i] == 1 else 0.3) * self.reach_px_per_s
                self.awaited[i] = Awaited(predicted[i], velocity[i], near_px=6.0 + fastest * abs(gone))

    def _at_home(self, i: int) -> Awaited | None:
        """Where marker i is awaited if it does not go with the rider."""
        home = self.homes[i].copy()
        return None if np.isnan(home[0]) else Awaited(home, np.zeros(2), near_px=STAYS_PX)

    def _told(self, i: int, time_s: float, gone_s: float, turns: list[float] | None = None) -> Awaited | None:
        """Where marker i should be by earlier turns: first by the other markers that are seen, then by those on
        trial, then by the time since it was somewhere, `turns` being when it was there before (none: where it was
        seen last)."""
        if not abs(time_s - self.ranked_s) < RANK_EVERY_S:
            pasts = [self.past(k) for k in range(len(self.known))]
            self.ranked, self.ranked_s = leaders(pasts), time_s
            self.resting = {k for k, past in enumerate(pasts) if past.rests}
        if i in self.resting:
            return at_rest(self.past(i))
        seen = [k for k in self.ranked if self.lost[k] == 0 and k != i]
        for on_trial in (False, True):
            which = [k for k in seen if (k in self.trials) is on_trial][:LEADERS]
            if which and (motion := self.paths.like_now(i, which, self.times[:, 0])) is not None:
                return Awaited(motion[0], motion[1], motion[2])
        return by_the_clock(self.past(i), self.past(i).passes if turns is None else turns, gone_s)

    def _find_again(self, luma: Luma, i: int, time_s: float, uv: Floats, u: Floats) -> None:
        """Look for a lost marker where it is awaited, then around there, along its past path when it stays away;
        where nothing tells enough, in a widening neighbourhood, and then it must prove itself over some frames."""
        gap, past = abs(time_s - self.times[i, 0]), self.past(i)
        for place, speed in self._where_to_look(luma, i, time_s, past, uv):
            if self._take_back(luma, i, place, speed, time_s, uv, u):
                return
        if gap < SHORT_GAP_S or (past.knows_its_turn and gap < WAIT_S):
            return
        sure = self._prove(luma, i, gap, time_s, uv)
        if sure is not None and self._may_be(i, *sure):
            self._take_back(luma, i, *sure, time_s, uv, u)

    def _may_be(self, i: int, place: Floats, speed: Floats) -> bool:
        """Whether what has proved itself a body may be marker i; one that should stand gets its new place."""
        if np.isnan(self.homes[i, 0]):
            return True
        if np.hypot(*speed) > STANDS_PX_PER_S:
            return False
        self.homes[i] = place
        return True

    def _where_to_look(
        self, luma: Luma, i: int, time_s: float, past: Past, sits: Floats
    ) -> Iterator[tuple[Floats, Floats]]:
        """Places and velocities (2,) to try for lost marker i, the cheapest and likeliest first."""
        gone, there = time_s - self.times[i, 0], self.awaited.get(i)
        if there is not None:
            yield there.uv_px, there.speed
            if past.rests and self.lost[i] % 4:
                return  # it cannot be elsewhere unless the camera was moved
            for place in self._candidates(luma, i, there.uv_px, there.reach_px, sits):
                if there.off_px(place) < there.near_px:
                    new = not past.knows_its_turn and abs(gone) < SHORT_GAP_S
                    yield place, 2 * (place - self.places[i, 0]) / gone - there.speed if new else there.speed
                    break
            if abs(gone) < TURN_TOLD_S:
                return
        if len(past.time_s) < 5:
            return
        low, high = past.box
        if self.lost[i] > OFTEN and self.lost[i] % OFTEN and past.extent_px > 40.0:
            return  # a wide search may be sparse
        for place in self._candidates(luma, i, (low + high) / 2, (high - low) / 2 + 12.0, sits):
            if past.away(place) < NEAR_PATH_PX:
                yield place, past.velocity_at(place)
                return

    def _take_back(
        self, luma: Luma, i: int, place: Floats, speed: Floats, time_s: float, uv: Floats, u: Floats
    ) -> bool:
        """Fit lost marker i at `place`; when it is believable there, and no other's, it is found again."""
        index = np.array([i])
        fit = self.fit_at(luma, index, place[None], speed[None])
        found = fit.uv_px[0]
        good = self._believable(index, fit, place[None], speed[None], time_s)
        if not good[0] or self._taken(i, found, uv):
            return False
        if self._awaited_more(i, found, uv):
            return False
        missed = abs(time_s - self.times[i, 0]) > 2.5 * self.step_s
        there = self.awaited.get(i)
        if i not in self.trials:
            past = self.past(i)
            before = float(self.times[i, 0]), self.places[i, 0].copy()
            trial = Trial(time_s, *before, past.passes, past.top_speed)
            self.trials[i] = trial if there is None else trial.judged_by(there, found, time_s)
        if missed:  # what is known from before says nothing about the motion now
            self.known[i] = 0
        self._accept(index, good, fit, time_s, uv, u)
        if missed:
            bend = there.bend if there is not None and there.slack_s == 0 else None
            self.hint[i], self.bend[i] = speed, 0.0 if bend is None else bend
            self.told[i] = bend is not None
        self.chains[i] = []
        return True

    def _awaited_more(self, i: int, place: Floats, sits: Floats) -> bool:
        """Whether another marker that is still missing is awaited nearer to this place than marker i is."""
        mine = self.awaited[i].off_px(place) if i in self.awaited else np.inf
        for k in map(int, np.flatnonzero(np.isnan(sits[:, 0]) & (self.lost > 0))):
            if k == i:
                continue
            if (there := self.awaited.get(k)) is not None:
                if there.off_px(place) < min(mine, there.near_px + self.shape.ring_px[i]):
                    return True
            elif mine > NO_DOUBT_PX and self.past(k).away(place) < NEAR_PATH_PX:
                return True  # nothing tells where that one is: it may be here
        return False

    def _prove(
        self, luma: Luma, i: int, gap: float, time_s: float, uv: Floats
    ) -> tuple[Floats, Floats] | None:
        """Place and velocity of the one disc around the last place that has moved like a body for some frames."""
        past = self.past(i)
        fastest = max(1.2 * past.top_speed, 0.0 if past.lasts_s > LONG_ENOUGH_S else self.reach_px_per_s)
        reach = 6.0 + fastest * min(gap, WIDEST_S)
        often = OFTEN if self.lost[i] < LONG_LOST else SELDOM
        wide = self.lost[i] % often == 0 or reach < 40.0
        fresh = self._candidates(luma, i, self.places[i, 0], reach if wide else 6.0, uv)
        self.chains[i] = grow(
            self.chains[i], time_s, lambda c, r: self._candidates(luma, i, c, r, uv),
            [p for p in fresh if not self._nearer_to_another(i, p)], fastest,
        )  # fmt: skip
        return certain(self.chains[i])

    def _nearer_to_another(self, i: int, place: Floats) -> bool:
        """Whether another lost marker was last seen, or ever was within its last turn, nearer to this place."""

        def away(k: int) -> float:
            return min(self.past(k).away(place), float(np.hypot(*(self.places[k, 0] - place))))

        mine = away(i)
        return any(away(int(k)) < mine for k in np.flatnonzero(self.lost > 0) if k != i)

    def _taken(self, i: int, place: Floats, sits: Floats) -> bool:
        """Whether another marker sits there; `sits` (P, 2) places of those seen, NaN for the others."""
        return not self._free(i, place[None], sits)[0]

    def _free(self, i: int, places: Floats, sits: Floats) -> NDArray[np.bool_]:
        """(N,) at which of the places (N, 2) no other marker sits."""
        away = np.hypot(places[:, None, 0] - sits[:, 0], places[:, None, 1] - sits[:, 1])
        away[:, i] = np.nan
        free: NDArray[np.bool_] = ~(away < self.shape.ring_px[i]).any(axis=1)
        return free

    def _candidates(
        self, luma: Luma, i: int, centre: Floats, reach: float | Floats, sits: Floats
    ) -> list[Floats]:
        """Places (2,) within `reach` of `centre` that look like marker i and where no other marker sits: those hardly
        worse than the best, nearest first."""
        if self.lost[i] == 0 or i not in self.portraits:  # a lost marker keeps the look that it had last
            self.portraits[i] = portrait(self.shape, i, self.amplitudes[i], float(self.scale[i]), np.zeros(2))
        places, likeness = peaks(luma, self.portraits[i], centre, reach, self.per_grey)
        free = self._free(i, places, sits)
        if not free.any():
            return []
        places = places[free & (likeness > likeness[free].max() - 0.08)]
        return list(places[np.argsort(np.hypot(*(places - centre).T), kind="stable")])


def _one_to_one(
    wanted: list[tuple[int, Floats]], predicted: Floats, ring_px: Floats
) -> list[tuple[int, Floats]]:
    """Of all (marker, place) that may belong together, the pairs with the smallest sum of distances in which no
    marker has two places and no place two markers."""
    if not wanted:
        return []
    markers = sorted({i for i, _ in wanted})
    discs: list[Floats] = []
    for i, place in wanted:
        if not any(np.hypot(*(d - place)) < ring_px[i] for d in discs):
            discs.append(place)
    cost = np.full((len(markers), len(discs)), 1e6)
    for i, place in wanted:
        k = int(np.argmin([np.hypot(*(d - place)) for d in discs]))
        cost[markers.index(i), k] = np.hypot(*(place - predicted[i]))
    rows, columns = linear_sum_assignment(cost)
    return [(markers[r], discs[c]) for r, c in zip(rows, columns, strict=True) if cost[r, c] < 1e6]
