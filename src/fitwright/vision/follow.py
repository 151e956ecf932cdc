"""Following disc markers from frame to frame: predict, fit, believe or lose, find again.

A marker is never invented. The fit's residual, contrast, size and distance from the prediction decide whether what
was found is the marker; when they do not agree it is lost, its position is NaN, and it is looked for along its own
past path (a pedalling rider comes by again) until it is certain.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from fitwright.quantity import Floats
from fitwright.vision.awaited import LEADERS, Awaited, at_rest, by_the_clock, leaders
from fitwright.vision.chains import FASTEST_TURN_RAD_S, Chain, certain, grow
from fitwright.vision.disc import GOOD_ENOUGH_PX, ITERATIONS, SCALE_SD
from fitwright.vision.disc_kernel import FIT, fit_markers
from fitwright.vision.markers import ORDERS, as_found, shape_of
from fitwright.vision.past import Past, Paths
from fitwright.vision.seek import Portrait, peaks, portrait
from fitwright.vision.snap import Spot
from fitwright.vision.step_kernel import STAYS_PX, accept, expected, judge, prepare, seen, to_fit
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
USUAL_TURN_RAD_S = 9.0
"""86 turns a minute: how far a polynomial through the last places misses is first supposed for these, at half the
speed that a marker may reach."""
COARSE_PX = 2.0
"""A film is coarse where the fastest marker leaves the parabola through its last places by more than this in a frame
step: a fit begins near enough from four places at best, and markers that miss these too are looked for first."""
NEAR_PATH_PX = 14.0
"""From turn to turn a marker's path scatters by no more than this."""
LONG_ENOUGH_S = 0.3
"""A marker seen for so long has shown how fast it moves."""
STANDS_PX_PER_S = 20.0
"""A marker that does not go with the rider is near its place, unless one no faster than this is found elsewhere (the
camera was moved)."""
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
        p, unknown = len(spots), np.full((len(spots), 2), np.nan)
        known = unknown if velocity is None else velocity
        self.shape, self.paths, self.fits = shape_of(spots), Paths(p), np.zeros(p, FIT)
        self.m = m = as_found(spots, self.shape, time_s, known, unknown if bend is None else bend, standing)
        self.times, self.places, self.known, self.lost = m["times"], m["places"], m["known"], m["lost"]
        self.exposure_s, self.step_s, self.per_grey = exposure_s, step_s, 255.0 / white
        self.reach_px_per_s = reach_px_per_s
        turned = USUAL_TURN_RAD_S * step_s
        m["misses"] = 0.5 * reach_px_per_s * step_s * turned ** np.arange(1, ORDERS + 1)
        self.coarse = reach_px_per_s * FASTEST_TURN_RAD_S**2 * step_s**3 > COARSE_PX
        self.blind, self.told = np.isnan(known[:, 0]), np.zeros(p, dtype=np.bool_)
        self.awaited: dict[int, Awaited] = {}
        self.ranked, self.resting, self.ranked_s = list[int](), set[int](), np.nan
        self.chains: list[list[Chain]] = [[] for _ in spots]
        self.trials: dict[int, Trial] = {}
        self.disowned: dict[int, float] = {}
        self.portraits: dict[int, Portrait] = {}

    def step(self, time_s: float, luma: Luma) -> tuple[Floats, Floats]:
        """Centres (P, 2) and their standard uncertainty (P, 2) in this frame, NaN where a marker is not seen."""
        self.disowned = {}
        m, fits, paths = self.m, self.fits, self.paths
        height, width = luma.shape
        n, fewest = expected(m, fits, 2.5 * self.step_s, time_s, self.exposure_s, width, height)
        if fewest < 3 or self.coarse:
            self._look_around(time_s, luma)
            n = to_fit(m, fits, self.exposure_s, width, height)
        self._fit(luma, fits, n)
        out = np.empty((2, len(m), 2))
        unseen = seen(m, fits, n, time_s, paths.time_s, paths.uv_px, paths.n, out)
        uv, u = out
        if self.trials:
            self._try(time_s, uv, u)
        if unseen or self.disowned:
            missing = np.isnan(uv[:, 0]).nonzero()[0]
            self.lost[missing] += 1
            for i in missing[self.lost[missing] == 1]:
                self.portraits.pop(int(i), None)
            self._await(missing, time_s)
            for i in missing:
                self._find_again(luma, int(i), time_s, out)
        return uv, u

    def _try(self, time_s: float, uv: Floats, u: Floats) -> None:
        """Disown what was taken for a lost marker and goes another way than that one would, or is lost at once."""
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

    def _look_around(self, time_s: float, luma: Luma) -> None:
        """Mend in place the predictions of markers that may be too far off for the fit, by looking before it: where
        the motion is hardly known yet and, in a coarse film, where the past foretells it badly."""
        predicted, velocity = self.m["uv"], self.m["speed"]
        gap = np.abs(time_s - self.times[:, 0])
        blind = (self.known == 1) & self.blind
        guess, enough = self._may_be_off(gap, np.hypot(*velocity.T))
        unsure = (self.lost == 0) & (blind | (guess > enough))
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

    def _may_be_off(self, gap: Floats, speed: Floats) -> tuple[Floats, Floats]:
        """(P,) how far each marker may be from where it is expected, px, and how much of that the fit cannot mend;
        gap (P,) s since it was seen, speed (P,) px/s."""
        # a turning point leaves its tangent by about this; one at rest may be at the end of its way, where earlier
        # turns do not tell more
        off = np.where(self.told, 0.1, 0.35)
        turned = np.where(self.told, 0.25 * speed, 0.3 * self.reach_px_per_s)
        young = off * speed * gap + FASTEST_TURN_RAD_S * turned * gap**2
        if not self.coarse:
            young = np.where(self.known < 3, young, 0.0)
            return young, np.where(self.told, TOLD_PX, GUESSED_PX)
        grown = 3.0 * self.m["misses"].min(axis=1)
        guess = np.select(
            [self.known < 3, self.known == 3], [young, FASTEST_TURN_RAD_S**2 * speed * gap**3], grown
        )
        enough = np.where(self.told, TOLD_PX, GUESSED_PX)
        return guess, np.where(self.known > 3, 0.75 * self.shape.disc_px, enough)

    def _fit(self, luma: Luma, fits: NDArray[Any], n: int) -> None:
        fit_markers(fits, n, luma, self.per_grey, self.exposure_s, True, ITERATIONS, SCALE_SD, GOOD_ENOUGH_PX)

    def fit_at(self, luma: Luma, i: int, place: Floats, speed: Floats) -> NDArray[Any]:
        """(1,) record `FIT` of marker i, fitted from a place (2,), smeared by its speed (2,)."""
        fits = np.zeros(1, FIT)
        prepare(self.m, i, place, speed, fits[0])
        self._fit(luma, fits, 1)
        return fits

    def _await(self, missing: NDArray[np.intp], time_s: float) -> None:
        """Where lost markers should be and how they should move, as far as anything tells: for a frame or two simply
        as predicted, then as in earlier turns; in the first turn as predicted, ever less surely."""
        self.awaited = {}
        predicted, velocity = self.m["uv"].copy(), self.m["speed"].copy()
        for i in map(int, missing):
            gone = time_s - self.times[i, 0]
            if home := self._at_home(i):
                self.awaited[i] = home
            elif abs(gone) < 2.5 * self.step_s and self.known[i] > 2:  # it cannot have turned off its way
                near = AT_ONCE_PX + OFF_TIMES * float(self.m["misses"][i].min())
                self.awaited[i] = Awaited(predicted[i], velocity[i], near_px=near)
            elif told := self._told(i, time_s, gone):
                self.awaited[i] = told
            elif abs(gone) < SHORT_GAP_S:
                fastest = (1.0 if self.blind[i] and self.known[i] == 1 else 0.3) * self.reach_px_per_s
                self.awaited[i] = Awaited(predicted[i], velocity[i], near_px=6.0 + fastest * abs(gone))

    def _at_home(self, i: int) -> Awaited | None:
        """Where marker i is awaited if it does not go with the rider."""
        home = self.m["home"][i].copy()
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

    def _find_again(self, luma: Luma, i: int, time_s: float, out: Floats) -> None:
        """Look for a lost marker where it is awaited, then around there, along its past path when it stays away;
        where nothing tells enough, in a widening neighbourhood, and then it must prove itself over some frames."""
        gap, past = abs(time_s - self.times[i, 0]), self.past(i)
        for place, speed in self._where_to_look(luma, i, time_s, past, out[0]):
            if self._take_back(luma, i, place, speed, time_s, out):
                return
        if gap < SHORT_GAP_S or (past.knows_its_turn and gap < WAIT_S):
            return
        sure = self._prove(luma, i, gap, time_s, out[0])
        if sure is not None and self._may_be(i, *sure):
            self._take_back(luma, i, *sure, time_s, out)

    def _may_be(self, i: int, place: Floats, speed: Floats) -> bool:
        """Whether what has proved itself a body may be marker i; one that should stand gets its new place."""
        if np.isnan(self.m["home"][i, 0]):
            return True
        if np.hypot(*speed) > STANDS_PX_PER_S:
            return False
        self.m["home"][i] = place
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
            new = not past.knows_its_turn and abs(gone) < SHORT_GAP_S
            for place in self._candidates(luma, i, there.uv_px, there.reach_px, sits):
                if there.off_px(place) < there.near_px:
                    yield place, 2 * (place - self.places[i, 0]) / gone - there.speed if new else there.speed
                    if (
                        not new
                    ):  # else where it is awaited is hardly known, and the nearest may be something else
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
        self, luma: Luma, i: int, place: Floats, speed: Floats, time_s: float, out: Floats
    ) -> bool:
        """Fit lost marker i at `place`; when it is believable there, and no other's, it is found again."""
        fit = self.fit_at(luma, i, place, speed)
        judge(self.m, fit, 1, time_s)
        found = fit["uv"][0]
        if not fit["good"][0] or self._taken(i, found, out[0]):
            return False
        if self._awaited_more(i, found, out[0]):
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
        accept(self.m, fit, 1, time_s, self.paths.time_s, self.paths.uv_px, self.paths.n, out)
        if missed:
            bend = there.bend if there is not None and there.slack_s == 0 else None
            self.m["hint"][i], self.m["bend"][i] = speed, 0.0 if bend is None else bend
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
            self.portraits[i] = portrait(
                self.shape, i, self.m["amplitudes"][i], float(self.m["scale"][i]), np.zeros(2)
            )
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
