"""
Each job that was done at a site: what it won back against what would have come without it, from all evidence that there is.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from yieldwatch.cost.tariffs import prices_at
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.portfolio.model import Site
from yieldwatch.proof.done import SAME_VISIT_DAYS, DoneJob, parts
from yieldwatch.proof.effect import Effect, Prior, agree, fit_effect, together, weighed
from yieldwatch.proof.fade import LASTING, RunOn, by_light, dirt_without, run_on
from yieldwatch.proof.readings import string_gains
from yieldwatch.proof.result import Proof
from yieldwatch.proof.series import Series, log_series, meter_series, over_rows
from yieldwatch.proof.shade import cut_gain
from yieldwatch.proof.sky import SKY_DAYS, sky_energy, sky_step
from yieldwatch.proof.worth import DayWorth

#: Longest time before and after the work that is looked at. [days] More before adds drift and little else.
BEFORE_DAYS, AFTER_DAYS = 150, 365
#: Step of a light sensor cleaned at the visit, and of one that may have been wiped by a crew that washes the modules and said
#: nothing. Standard deviations as fractions. Common practice, no source.
SENSOR_STEP, SENSOR_WIPED = 0.04, 0.008
#: Step of a peer that was worked on. Standard deviation as a fraction. Common practice, no source.
PEER_STEP = 0.05
#: What the modelled build-up of dirt may be off by, as a share of it. Standard uncertainty. Common practice, no source.
_DIRT_DOUBT = 0.5
#: Doubt of what a unit of effect is worth in energy. Standard uncertainty as a fraction. Common practice, no source.
_WORTH_DOUBT = 0.05
_DRAWS = 1000
#: What is known of work before any evidence: a visit in five changes nothing, one in twenty makes it worse; one in a hundred
#: falls within days of something else. And the usual sizes of an effect, as shares of the output or of the mended strings'.
#: Common practice, no source.
CHANGES_NOTHING, HARMS, BESIDE = 0.2, 0.05, 0.01
_USUAL = Prior((0.003, 0.015, 0.06), CHANGES_NOTHING, HARMS, BESIDE)
_OF_INVERTERS, _OF_STRINGS = (0.01, 0.05, 0.25), (0.03, 0.15, 1.0)
#: Share of the energy at known sun positions from which bounds need no word.
_MOSTLY = 0.9
#: What mended strings may give over their share by the plate, where others of their inverter are out.
_OVER_PLATE = 2.0
_WHOLE = ("inverter_efficiency", "inverter_outage", "curtailment")


def prove_site(site: Site, data: SiteData, state: SiteState, rounds: pd.DataFrame, jobs: Sequence[DoneJob]) -> list[Proof]:
    """
    Prove every job that was done within the history.

    Parameters
    ----------
    state : SiteState
        From `gap.attribute.infer_state`.
    rounds : DataFrame
        From `gap.rounds.assess_rounds`.
    jobs : sequence of DoneJob
        All of the site, also those outside the history, because they may confound others.
    """
    prices = prices_at(site, state.model.times, data.prices)["export_price"].to_numpy(float)
    days = len(state.blocks.dates)
    worth = {whole: DayWorth(state, data, whole, prices) for whole in {job.cause in _WHOLE for job in jobs}}
    return [_Case(site, data, state, rounds, jobs, job, worth[job.cause in _WHOLE]).prove()
            for job in jobs if 0 < _day(state, job) < days - 1]


def _day(state: SiteState, job: DoneJob) -> int:
    return int((pd.Timestamp(job.done_on) - state.blocks.dates[0]).days)


class _Case:
    """One job against its evidence."""

    def __init__(self, site: Site, data: SiteData, state: SiteState, rounds: pd.DataFrame, jobs: Sequence[DoneJob],
                 job: DoneJob, worth: DayWorth):
        self._site, self._data, self._state, self._rounds, self._job, self._worth = site, data, state, rounds, job, worth
        self._others = [j for j in jobs if j is not job and not _one_work(j, job)]
        self._day = _day(state, job)
        self._strings = parts(site, job.scope)
        self._n_days = len(state.blocks.dates)
        self._rng = np.random.default_rng(self._day)
        self._doubts: list[str] = []
        ids = state.model.inverter_ids
        of = {s.string_id: ids.index(s.inverter_id) for s in site.strings}
        self._treated = sorted({of[s] for s in self._strings})
        self._of = of
        self._control = self._untouched()
        self._end = self._window_end()

    def _untouched(self) -> list[int]:
        """Inverters of the same planes where there are any, out of shade before those in it, untouched before those worked on."""
        state = self._state
        busy = {self._of[s] for other in self._others if not self._alike(other)
                and -BEFORE_DAYS < _day(state, other) - self._day < AFTER_DAYS for s in parts(self._site, other.scope)}
        free = [k for k in range(len(state.model.inverter_ids)) if k not in self._treated]
        groups = state.blocks.groups
        same = [k for k in free if groups[k] in set(groups[self._treated])]
        peers = same or free
        lit = [k for k in peers if not state.shaded[k]]
        quiet = [k for k in peers if k not in busy]
        return [k for k in lit if k in quiet] or lit or quiet or peers

    def _alike(self, other: DoneJob) -> bool:
        """Whether another job did the same to all inverters, so that peers cancel it."""
        return "site" in other.scope and other.cause == "soiling"

    def _unequal(self) -> list[DoneJob]:
        """Other jobs that moved the treated inverters against the control, or the whole site where there is no control."""
        own = set(self._treated) if self._logged and self._control else set(range(len(self._state.model.inverter_ids)))
        return [j for j in self._others if {self._of[s] for s in parts(self._site, j.scope)} & own
                and not (self._control and self._logged and self._alike(j))]

    @property
    def _logged(self) -> bool:
        return self._state.log is not None

    def _window_end(self) -> int:
        """Day after the last that counts: the history's end, a year on, or the next job on the same inverters."""
        # A later wash takes the lead away from what this one won, even if it is of the whole site.
        washed = [j for j in self._others
                  if self._job.cause == j.cause == "soiling" and parts(self._site, j.scope) & self._strings]
        later = [_day(self._state, j) for j in (*self._unequal(), *washed) if _day(self._state, j) > self._day + SAME_VISIT_DAYS]
        return min([self._n_days, self._day + 1 + AFTER_DAYS, *later])

    def _start(self) -> int:
        earlier = [_day(self._state, j) + 1 for j in self._unequal() if _day(self._state, j) < self._day - SAME_VISIT_DAYS]
        return max([0, self._day - BEFORE_DAYS, *earlier])

    def prove(self) -> Proof:
        """Weigh what each kind of evidence says by its own doubt."""
        shapes = run_on(self._state, self._job, self._day)
        amounts: list[np.ndarray] = []
        methods: list[str] = []
        peers: tuple[str, ...] = ()
        sides = (0, 0)
        mixed = [j for j in self._unequal() if abs(_day(self._state, j) - self._day) <= SAME_VISIT_DAYS]
        if self._job.cause == "shading":
            return self._cut(shapes)
        if mixed:
            self._doubts.append(f"Done at the same visit on the same inverters: {', '.join(j.name for j in mixed)}. Only "
                                "readings of the strings themselves can tell the two apart.")
        else:
            series = self._series()
            if series is not None:
                # The day of the work itself is half before and half after.
                own_day = (series.first == self._day) & (series.last == self._day + 1)
                rows = series.only((series.first >= self._start()) & (series.last <= self._end) & ~own_day)
                found = self._fit(rows, shapes)
                if found is not None:
                    amounts.append(self._energy(found, rows))
                    methods.append("peers" if series.peers else "model" if self._logged else "meter")
                    peers = series.peers
                    sides = (_days(rows, 0, self._day), _days(rows, self._day, self._end))
        read = self._by_readings()
        if read is not None:
            amounts.append(read)
            methods.append("readings")
        if len(amounts) == 2 and not agree(*amounts):
            self._doubts.append("The rounds say otherwise and are left out: the fault may have begun after the round "
                                "before the work, or was read in other light.")
            amounts, methods = amounts[:1], methods[:1]
        gain = together(amounts, self._rng)
        return self._proof(gain, shapes, tuple(methods), peers, sides)

    def _cut(self, shapes: list[RunOn]) -> Proof:
        """A cut of vegetation: the same sun positions before and after, between other cuts of the same plants."""
        cuts = [_day(self._state, j) for j in self._others
                if j.cause == "shading" and parts(self._site, j.scope) & self._strings]
        start = max([0, self._day - AFTER_DAYS, *(d + 1 for d in cuts if d < self._day)])
        self._end = min([self._n_days, self._day + 1 + AFTER_DAYS, *(d for d in cuts if d > self._day)])
        found = cut_gain(self._state, self._treated, start, self._day, self._end, _DRAWS, self._day) if self._logged else None
        sky = self._sky(start) if self._logged else None
        if found is None or sky is None:
            self._doubts.append("No inverter's log shows shade that is worth 0.2 % of its energy on enough days before and after."
                                if self._logged else "Without a log of the inverters the sun positions cannot be told apart.")
            return self._proof(np.array([]), shapes, (), (), (0, 0))
        if found.known < _MOSTLY:
            self._doubts.append(
                f"For {100 * (1 - found.known):.0f} % of what the beam brought at these hours the sun stood where it had not "
                "stood before the cut: the uncut shade there is known by bounds only, and they are in the interval.")
        back = None if found.back is None else self._state.blocks.dates[0].date() + dt.timedelta(days=found.back)
        if back is not None and self._end < self._n_days:
            self._doubts.append(f"The sun came back to positions that were shaded on {back}, after the days that count.")
            back = None
        elif back is not None:
            self._doubts.append(f"The sun is back in positions that were shaded from {back} on, and only then shows there what "
                                "the cut did.")
        sides = (int(found.rows[:self._day].sum()), int(found.rows[self._day:self._end].sum()))
        return replace(self._proof(weighed(found.draws + sky, _USUAL, self._rng), shapes, ("sun",), (), sides), sun_back=back)

    def _sky(self, start: int) -> np.ndarray | None:
        """
        Energy that a cut won of the sky's light, by the step in hours with no beam in shade; None with too few days. [kWh]

        The sky is hidden from all inverters, least from the far ones: they are held against the model, and the near ones against
        them.
        """
        shaded = self._state.shaded
        near, far = ([k for k in self._treated if shaded[k] == is_near] for is_near in (True, False))
        base = self._sky_step(far or near, [], start)
        more = self._sky_step(near, far, start) if near and far else np.zeros(_DRAWS)
        if base is None or more is None:
            return None
        all_of, of_near = (sky_energy(self._state, which)[0][self._day + 1:self._end].sum() for which in (self._treated, near))
        return np.asarray(base * all_of + self._rng.permutation(more) * of_near)

    def _sky_step(self, which: list[int], control: list[int], start: int) -> np.ndarray | None:
        own = {self._state.model.inverter_ids[k] for k in (*which, *control)}
        visits = sorted({_day(self._state, j) for j in self._others if j.cause != "shading"
                         and own & {self._state.model.inverter_ids[self._of[s]] for s in parts(self._site, j.scope)}})
        series = log_series(self._state, which, control, self._strings, "shading", self._day, None)
        near = series.only((series.first >= max(start, self._day - SKY_DAYS)) & (series.first != self._day)
                           & (series.last <= min(self._end, self._day + SKY_DAYS)))
        light = [] if control else self._may_have_moved(near, sky_energy(self._state, which)[0])
        return sky_step(self._state, near, which, control, (start, self._day, self._end), visits, light, self._rng, _DRAWS)

    def _series(self) -> Series | None:
        clean = self._job.cause == "soiling"
        dirt = dirt_without(self._state, self._data, self._job) if clean else None
        if self._logged:
            return log_series(self._state, self._treated, self._control, self._strings, self._job.cause, self._day, dirt)
        return meter_series(self._state, self._data, self._treated, self._strings, self._job.cause, dirt)

    def _fit(self, rows: Series, shapes: list[RunOn]) -> Effect | None:
        if len(rows.value) < 6:
            return None
        energy = self._worth.kwh.sum(axis=0)
        after = rows.last > self._day + 1
        size = [float(np.ptp(s.shows)) for s in shapes]
        shown = [(over_rows(s.shows, energy, rows) / z, (self._mean(s.gain) / z, s.doubt))
                 for s, z in zip(shapes, size, strict=True) if z > 1e-6]
        if not shown:
            return None
        known = self._peers_moved(rows) if rows.peers else self._may_have_moved(rows, energy)
        return fit_effect(0.5 * (rows.first + rows.last), rows.value, rows.weight, [x for x, _ in shown], after, known,
                          [mean for _, mean in shown], self._job.cause == "soiling", seed=self._day, n_draws=_DRAWS,
                          prior=self._prior())

    def _prior(self) -> Prior:
        """What such work can do: strings that were mended cannot win more than their share."""
        if self._job.cause != "string_fault":
            return replace(_USUAL, scales=_OF_INVERTERS) if self._job.cause in _WHOLE else _USUAL
        share = self._share()
        return replace(_USUAL, scales=tuple(share * size for size in _OF_STRINGS), most=_OVER_PLATE * share)

    def _share(self) -> float:
        """The mended strings' part of what the series is of, by the plate."""
        of = [s for s in self._site.strings if not self._logged or self._of[s.string_id] in self._treated]
        return sum(s.p_mp_w for s in of if s.string_id in self._strings) / sum(s.p_mp_w for s in of)

    def _mean(self, shape: np.ndarray) -> float:
        """Mean of a shape over the days measured, weighted by their energy."""
        energy = self._worth.kwh[self._treated].sum(axis=0)[self._day + 1:self._end]
        return float(energy @ shape[self._day + 1:self._end] / max(energy.sum(), 1e-9))

    def _peers_moved(self, rows: Series) -> list[tuple[np.ndarray, float]]:
        """Steps of peers that were worked on themselves, where no others are left."""
        ids = self._state.model.inverter_ids
        worked = {_day(self._state, j) for j in self._others if not self._alike(j)
                  and {ids[self._of[s]] for s in parts(self._site, j.scope)} & set(rows.peers)}
        return [((rows.first > d).astype(float), PEER_STEP) for d in sorted(worked)]

    def _may_have_moved(self, rows: Series, energy: np.ndarray) -> list[tuple[np.ndarray, float]]:
        """Where the model stands in for peers: the light sensor's step, and dirt that built up otherwise than modelled."""
        days = np.arange(self._n_days)
        found = []
        clean = self._job.cause == "soiling"
        if clean:
            dirt = dirt_without(self._state, self._data, self._job).mean(axis=0)
            found.append((over_rows(dirt - dirt[self._day], energy, rows), _DIRT_DOUBT))
        noted = self._sensor_days()
        if any(abs(d - self._day) <= SAME_VISIT_DAYS for d in noted) or self._light_stepped():
            self._doubts.append("The light sensor was cleaned or stepped at the same visit, so that the model's level before and "
                                "after cannot be compared closely; untouched peers or readings of the strings would tell.")
            found.append((over_rows((days > self._day).astype(float), energy, rows), SENSOR_STEP))
        elif clean:
            found.append((over_rows((days > self._day).astype(float), energy, rows), SENSOR_WIPED))
        found += [(over_rows((days > d).astype(float), energy, rows), SENSOR_STEP) for d in noted
                  if abs(d - self._day) > SAME_VISIT_DAYS and self._start() < d < self._end]
        return found

    def _sensor_days(self) -> list[int]:
        events = self._data.events
        if not len(events):
            return []
        return [self._state.blocks.day_of(t) for t in events.loc[events["kind"] == "sensor_cleaned", "start"]]

    def _light_stepped(self) -> bool:
        """Whether the weather's light stepped against a second source at the visit."""
        one, two = self._data.weather, self._data.weather_2
        if one is None or two is None:
            return False
        name = next((n for n in ("poa_global", "ghi") if n in one and n in two), None)
        if name is None:
            return False
        both = pd.concat([f[name].groupby(f.index.tz_convert(self._site.tz).date).mean() for f in (one, two)], axis=1).dropna()
        both = both[(both > 20.0).all(axis=1)]
        day = np.array([(pd.Timestamp(d) - self._state.blocks.dates[0]).days for d in both.index])
        near = np.abs(day - self._day) <= BEFORE_DAYS
        values = np.log(both.iloc[:, 0] / both.iloc[:, 1]).to_numpy()[near]
        step = fit_effect(day[near] + 0.5, values, np.ones(near.sum()), [(day[near] > self._day).astype(float)],
                          day[near] > self._day, seed=1)
        if step is None:
            return False
        low, high = np.quantile(step.draws, [0.05, 0.95])
        return bool(low > 0.005 or high < -0.005)

    def _energy(self, found: Effect, rows: Series) -> np.ndarray:
        """Energy over the days measured. [kWh]"""
        after = rows.value[rows.first > self._day]
        level = float(np.median(after)) if len(after) else 1.0
        share = found.draws / max(level, 0.2)
        if self._job.cause == "string_fault":
            share = by_light(share, self._share(), self._brighter(int(rows.first[0])), self._rng)
        which = self._treated if self._logged else range(len(self._worth.kwh))
        total = self._worth.between(self._day + 1, self._end, float(np.median(share)), which)
        return np.asarray(share * total * (1.0 + _WORTH_DOUBT * self._rng.standard_normal(_DRAWS)))

    def _brighter(self, start: int) -> float:
        """Light in which the gain is made over that of the hours, from a day on until the work, in which the fault showed."""
        blocks, which = self._state.blocks, self._treated
        power = blocks.total(self._state.model.dc)[which] / np.bincount(blocks.of, minlength=blocks.n)
        near = (blocks.day >= start) & (blocks.day < self._day)
        seen = (self._state.weight if self._logged else blocks.expected)[which][:, near]
        after = slice(self._day + 1, self._end)
        gained = self._worth.kwh_by_power[which, after].sum() / max(self._worth.kwh[which, after].sum(), 1e-9)
        return float(gained * seen.sum() / max((seen * power[:, near]).sum(), 1e-9))

    def _by_readings(self) -> np.ndarray | None:
        """Energy over the days measured by what the treated strings read before and after; None unless all were read. [kWh]"""
        if self._job.cause != "string_fault":
            # Of dirt, what came between reading and work, and the rain after it, are not in the readings.
            return None
        touched = {s for j in self._others for s in parts(self._site, j.scope) if not self._alike(j)}
        gains = string_gains(self._site, self._rounds, self._strings, touched, self._job.done_on, _DRAWS, seed=self._day)
        if not gains or len(gains) < len(self._strings):
            return None
        power = {s.string_id: s.p_mp_w for s in self._site.strings}
        whole = np.zeros(len(self._worth.kwh))
        for name, watt in power.items():
            whole[self._of[name]] += watt
        if any(g.discounted for g in gains):
            self._doubts.append("One reading before the work is discounted for chance, because the string was picked by it.")
        total: np.ndarray = np.zeros(_DRAWS)
        for k in self._treated:
            share = sum((g.draws * power[g.string_id] / whole[k] for g in gains if self._of[g.string_id] == k), np.zeros(_DRAWS))
            total += share * self._worth.between(self._day + 1, self._end, float(np.median(share)), [k])
        return total * (1.0 + _WORTH_DOUBT * self._rng.standard_normal(_DRAWS))

    def _proof(self, gain: np.ndarray, shapes: list[RunOn], methods: tuple[str, ...], peers: tuple[str, ...],
               sides: tuple[int, int]) -> Proof:
        job, dates, window = self._job, self._state.blocks.dates, slice(self._day + 1, self._end)
        energy = self._worth.kwh[self._treated].sum(axis=0)
        price = self._worth.price[window]
        known = np.isfinite(price) & (energy[window] > 0)
        mean_price = float(np.average(price[known], weights=energy[window][known])) if known.any() else float("nan")
        measured, year = self._shares(shapes)
        promised = job.promised_kwh_per_year
        if not methods and not self._doubts:
            self._doubts.append("Too few days before or after, or no log, meter or readings that show these parts.")
        return Proof(job, dates[self._day + 1].date(), dates[self._end - 1].date(), gain, mean_price,
                     year / measured if measured > 0 else float("nan"), methods, peers, *sides,
                     promised_kwh=float("nan") if promised is None or not year > 0 else promised * measured / year,
                     doubts=tuple(self._doubts), closed=self._end < self._n_days)

    def _shares(self, shapes: list[RunOn]) -> tuple[float, float]:
        """What the effect is worth over the days measured, and over the year after the work, in the same arbitrary unit."""
        # What is mended is taken to stay mended; of dirt, the mean of the ways in which the lead may fade.
        shape = np.mean([s.gain for s in (shapes if self._job.cause == "soiling" else shapes[:1])], axis=0)
        energy = self._worth.kwh[self._treated].sum(axis=0)
        measured = float(energy[self._day + 1:self._end] @ shape[self._day + 1:self._end])
        ahead, places = self._worth.ahead(self._day)
        within = self._day + 1 + np.arange(365) < self._n_days
        run = np.ones(365)
        run[within] = shape[self._day + 1:self._day + 1 + int(within.sum())]
        if self._job.cause == "soiling" and not within.all():
            # Beyond the history the lead goes on to fade as rain of a year before would have it.
            left = np.exp(-((self._state.blocks.washing[places] / self._state.wash.depth)
                            ** self._state.wash.sharpness))
            n = int(within.sum())
            run[n:] = LASTING + max(run[n - 1] - LASTING, 0.0) * np.cumprod(left[n:])
        return measured, float(ahead[self._treated].sum(axis=0) @ run)


def _one_work(one: DoneJob, other: DoneJob) -> bool:
    """Whether two records are the same work at the same place."""
    return one.cause == other.cause and one.scope == other.scope and abs((one.done_on - other.done_on).days) <= SAME_VISIT_DAYS


def _days(rows: Series, start: int, end: int) -> int:
    keep = (rows.first >= start) & (rows.last <= end)
    return int((rows.last - rows.first)[keep].sum())
