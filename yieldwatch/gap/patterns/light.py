"""
The patterns of light: dirt, shade and snow.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.blocks import AZIMUTH_STEP
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.mechanisms.dry_spells import RateAndRecovery, rate_and_recovery
from yieldwatch.gap.mechanisms.shading import beam_behind, pattern_cost
from yieldwatch.gap.mechanisms.snow import snow_days
from yieldwatch.gap.mechanisms.soiling import WASH_UNKNOWN, cleaning_days
from yieldwatch.gap.patterns.window import MONTHS, Told, Window, count, interval, month_words
from yieldwatch.gap.why import Figure, Turn

#: Dry days before a rain whose effect is looked at, and usable days on either side of it. Common practice, no source.
_DRY_DAYS, _SIDE = 10, 5


def soiling(window: Window) -> Told:
    state = window.state
    figures, said = _rates(window)
    end, end_low, end_high = _at_the_end(window)
    figures += [
        Figure("dirt on the last day", end, "%", end_low, end_high, note=str(state.blocks.dates[-1].date())),
        Figure("recorded cleanings", window.events("cleaning"), "events"),
        *window.perhaps_dirt(),
    ]
    if np.isfinite(state.blocks.rain).any():
        how = "is taken to wash off" if state.wash == WASH_UNKNOWN else "is found to wash off"
        figures.append(Figure("a day's rain that washes off 63 %", state.wash.depth, "mm", note=how))
        said.append(f"A day's rain of {state.wash.depth:.1f} mm {how} 63 % of what rain can.")
        n, seen, fitted = _rises(window)
        if n:
            figures += [
                Figure("rains after a dry spell", n, "rains"),
                Figure("change of output after them, measured", seen, "%"),
                Figure("change of output after them, by the fit", fitted, "%"),
            ]
            said.append(
                f"After {count(n, 'rain')} that ended {_DRY_DAYS} dry days or more, output against the model changed by "
                f"{seen:+.2f} % in the median, and by {fitted:+.2f} % in the fit."
            )
    else:
        said.append(
            "There is no rain record: the days of rain are read off the output, as it steps up and stays up."
            if state.log is not None else
            "There is no rain record: rain is taken to fall on dull days.")
    alone = _dry_spells(window)
    if alone is not None:
        rate, low, high = (100.0 * x for x in (alone.rate, alone.rate_low, alone.rate_high))
        figures.append(Figure("fall of output on a dry day, off the dry spells alone", rate, "% a day", low, high,
                              note=f"{alone.spells} spells of two weeks or more, {alone.days} days"))
        said.append(f"Read off {alone.spells} dry spells alone, without a law of rain, output falls by {rate:.3f} % a day "
                    f"({low:.3f} to {high:.3f}), and {100.0 * alone.recovery:+.1f} % comes with the rain or cleaning after one.")
    washed = window.events("cleaning")
    said.append(
        f"On {state.blocks.dates[-1].date()} dirt takes {end:.1f} % ({end_low:.1f} to {end_high:.1f} %). "
        f"{count(washed, 'cleaning is', 'cleanings are') if washed else 'No cleaning is'} recorded in these months."
    )
    if perhaps := window.perhaps_dirt():
        said.append(f"What {count(len(perhaps), 'string')} of those told as faulty lacks counts here by its chance to be dirt.")
    return Told(
        " ".join(said),
        tuple(figures),
        "A light sensor that drifts or is cleaned by the same rain, and ageing, move all inverters as well. Dirt steps back with "
        "rain and cleaning, ageing does not; a layer that rain leaves looks like ageing until it is cleaned.",
        "Wash a few strings and trace them beside unwashed twins on the same day; clean the light sensor on another day and see "
        "whether the ratio steps.",
    )


def _rates(window: Window) -> tuple[list[Figure], list[str]]:
    """The build-up of the window's months, as figures and as a sentence."""
    posterior = window.state.posterior
    months = [(k, name) for k, name in _rate_months(window.state) if name in window.months]
    if not months:
        return [], []
    which = [k for k, _ in months]
    draws, middle = 100.0 * posterior.draws[:, which], 100.0 * posterior.estimate[which]
    usual, top = float(np.median(middle)), int(np.argmax(middle))
    low, high = interval(np.median(draws, axis=1), usual)
    fastest, month = float(middle[top]), months[top][1]
    figures = [
        Figure("build-up on a dry day, median month", usual, "% a day", low, high),
        Figure("build-up on a dry day, fastest month", fastest, "% a day", *interval(draws[:, top], fastest), where=month),
    ]
    return figures, [
        f"On a dry day dirt takes another {usual:.3f} % in the median month (90 % interval {low:.3f} to {high:.3f}) and "
        f"{fastest:.3f} % in the fastest, {month_words(month)}."
    ]


def _rate_months(state: SiteState) -> list[tuple[int, str]]:
    """Place and month of each monthly rate among the columns; the first may stand for the month before the history."""
    tagged = [(k, c.tag[1]) for k, c in enumerate(state.posterior.columns) if c.tag and c.tag[0] == "rate"]
    first = state.blocks.dates[0]
    # As the tents of the soiling mechanism are laid: centred on the 15th or 16th, the first at or before the first day.
    before = 0 if first.day > 15 else -1
    return [(k, str(first.to_period("M") + before + number)) for k, number in tagged]


def _at_the_end(window: Window) -> tuple[float, float, float]:
    """Dirt on the modules in the last blocks of the history, mean by energy, with its interval. [%]"""
    state = window.state
    last = state.blocks.day == state.blocks.day[-1]
    weight = state.blocks.expected[:, last] / max(state.blocks.expected[:, last].sum(), 1e-9)
    which = [k for k, c in enumerate(state.posterior.columns) if c.cause == "soiling"]
    unit = []
    for k in which:
        column = state.posterior.columns[k]
        shapes = ((row, column.at(row)) for row in range(len(weight)))
        unit.append(sum(float(shape[last] @ weight[row]) for row, shape in shapes if shape is not None))
    loss = lambda theta: -100.0 * np.expm1(-(theta[..., which] @ np.array(unit)))  # noqa: E731
    value = float(loss(state.posterior.estimate))
    return value, *interval(loss(state.posterior.draws), value)


def _rises(window: Window) -> tuple[int, float, float]:
    """Rains after dry spells, and the median rise of daily output over the model after them, measured and fitted. [%]"""
    state = window.state
    blocks = state.blocks
    if not state.weight.any():
        return 0, np.nan, np.nan
    measured, fitted = _daily(state, state.ratio), _daily(state, -state.posterior.loss("soiling", *blocks.expected.shape))
    rain = blocks.washing
    wet = rain > 0.5 * state.wash.depth
    found = []
    for day in np.flatnonzero((rain >= state.wash.depth) & window.days):
        if day < _DRY_DAYS or wet[day - _DRY_DAYS : day].any():
            continue
        before, after = slice(max(day - _SIDE, 0), day), slice(day + 1, day + 1 + _SIDE)
        found.append(
            [float(over_known(np.nanmedian, x[after]) - over_known(np.nanmedian, x[before])) for x in (measured, fitted)]
        )
    pairs = np.array([pair for pair in found if np.isfinite(pair).all()])
    if not len(pairs):
        return 0, np.nan, np.nan
    measured_change, fitted_change = 100.0 * np.median(pairs, axis=0)
    return len(pairs), float(measured_change), float(fitted_change)


def _daily(state: SiteState, values: np.ndarray) -> np.ndarray:
    """Mean of (n_inverters, n_blocks) over each day, by the energy behind it; NaN where that is little."""
    blocks, weight = state.blocks, state.weight
    total = np.bincount(blocks.day, weights=weight.sum(axis=0), minlength=len(blocks.dates))
    summed = np.bincount(blocks.day, weights=(np.nan_to_num(values) * weight).sum(axis=0), minlength=len(total))
    return np.where(total > 0.3 * np.median(total[total > 0]), summed / np.maximum(total, 1e-12), np.nan)


def _dry_spells(window: Window) -> RateAndRecovery | None:
    """Build-up over the dry spells of the whole history, of what all causes but dirt leave of the measured output."""
    state = window.state
    blocks = state.blocks
    if not state.weight.any():
        return None
    others = sum(state.posterior.loss(c, *blocks.expected.shape)
                 for c in ("shading", "string_fault", "inverter_efficiency", "degradation"))
    ends = blocks.washing > 0.5 * state.wash.depth
    cleaned = [day for day in cleaning_days(blocks, window.data) if 0 <= day < len(ends)]
    ends[cleaned] = True
    return rate_and_recovery(_daily(state, state.ratio + others), ends, np.random.default_rng(3))


def shading(window: Window) -> Told:
    if window.state.log is None:
        return _shade_of_rounds(window)
    state, taken = window.state, window.taken("shading")
    cost = 100.0 * pattern_cost(state.blocks, state.ratio, state.weight)
    figures = [
        Figure("day pattern against the best-lit peers", float(c), "% of its energy", where=n)
        for n, c in zip(window.names, cost, strict=True)
    ]
    lacking = -100.0 * np.expm1(-beam_behind(state.blocks, state.ratio, state.weight))
    figures += [
        Figure("beam lacking in its worst season beyond its best", float(b), "%", where=n)
        for n, b in zip(window.names, lacking, strict=True)
    ]
    blind = ("Shade that falls on all inverters alike is seen where a season's overcast hours are far better than its bright "
             "ones, or where two or more lack the same low sun, day after day; less of it looks like an error of the weather "
             "model.")
    settle = "Stand at the row when the sun stands there, and look along its bearing."
    if not state.shaded.any():
        top = int(np.argmax(cost))
        return Told(
            f"No inverter has a day pattern that its peers have not: the largest costs {cost[top]:.2f} % of its energy "
            f"({window.names[top]}).",
            tuple(figures),
            blind,
            settle,
        )
    whole = window.split.expected[:, window.inside].sum(axis=1)
    shares = 100.0 * taken.sum(axis=1) / np.maximum(whole, 1e-9)
    figures += [
        Figure("energy in shade", float(kwh), "kWh", where=n)
        for n, kwh, s in zip(window.names, taken.sum(axis=1), state.shaded, strict=True)
        if s
    ]
    beam = 100.0 * _beam_part(window)
    figures.append(Figure("share of the shade that is the sun's beam", beam, "%"))
    of = state.blocks.of[window.inside]
    step = np.floor(state.blocks.azimuth[of] / AZIMUTH_STEP).astype(int)
    by_step = np.bincount(step, weights=taken.sum(axis=0), minlength=int(360 / AZIMUTH_STEP))
    month = state.blocks.dates[state.blocks.day[of]].month.to_numpy()
    by_month = np.bincount(month, weights=taken.sum(axis=0), minlength=13)
    most, busiest = np.argsort(by_step)[::-1][:2], int(np.argmax(by_month))

    def bearing(number: int) -> str:
        return f"{number * AZIMUTH_STEP:.0f} to {(number + 1) * AZIMUTH_STEP:.0f}°"

    part = 100.0 * by_step / max(by_step.sum(), 1e-9)
    figures += [Figure("share of the shade", float(part[s]), "%", where=f"sun azimuth {bearing(s)}") for s in most]
    place = step == most[0]
    at = state.model.times[window.inside][place].tz_convert(state.model.site.tz)
    hour = float(np.average(at.hour + at.minute / 60.0, weights=np.maximum(taken.sum(axis=0)[place], 1e-12)))
    alone = float((cost / 100.0 * whole)[state.shaded].sum())
    named = ", ".join(
        f"{n} ({share:.1f} % of its energy; its day pattern against its peers alone {c:.1f} %)"
        for n, share, c, s in zip(window.names, shares, cost, state.shaded, strict=True)
        if s
    )
    return Told(
        f"Behind at certain sun positions: {named}. {beam:.0f} % of it is light straight from the sun, "
        f"the rest is the sky's. {part[most[0]]:.0f} % comes with the sun at azimuth {bearing(most[0])}, about "
        f"{_half_hour(hour)} by the clock; most in {MONTHS[busiest - 1]}.",
        (*figures, *_tops(window)),
        "Dirt bands at the lower edge of the modules, and a plane that differs from site.toml, make day patterns too. " + blind,
        _look_along(window) or settle,
        (Turn("day pattern alone", alone, "kWh", f"Counted by the day pattern alone it would be {alone:,.0f} kWh."),),
    )


def _tops(window: Window) -> list[Figure]:
    """The outline's angular heights."""
    return [
        Figure("top of what stands there", o.height_deg, "°", where=f"{o.inverter_id}, bearing {_bearings(o)}",
               low=o.height_low_deg, high=o.height_high_deg)
        for o in window.obstacles.itertuples()
    ]


def _look_along(window: Window) -> str:
    """Where to stand and look; empty without an outline."""
    if window.obstacles.empty:
        return ""
    most = window.obstacles.loc[window.obstacles["energy_kwh"].idxmax()]
    return (
        f"Stand at the most shaded string of {most.inverter_id} and look along bearing {_bearings(most)}: what stands higher "
        f"than {most.height_deg:.0f}° ({most.rise_per_10_m:.1f} m above the string for each 10 m of distance) casts the shade."
    )


def _bearings(row) -> str:
    return f"{row.azimuth_from_deg:.0f} to {row.azimuth_to_deg:.0f}°"


def _beam_part(window: Window) -> float:
    """Share of the shade's energy that the fit gives to the beam. [fraction]"""
    state, columns = window.state, window.state.posterior.columns
    inside = state.blocks.total(np.where(window.inside, 1.0, 0.0)) > 0
    beam = whole = 0.0
    for column, theta in zip(columns, state.posterior.estimate, strict=True):
        if column.cause == "shading" and column.inverter is not None:
            energy = theta * float((column.values * state.blocks.expected[column.inverter])[inside].sum())
            whole += energy
            beam += energy if column.tag[0] == "beam" else 0.0
    return float(beam / max(whole, 1e-12))


def _shade_of_rounds(window: Window) -> Told:
    state = window.state
    seen = [c for c in state.posterior.columns if c.cause == "shading" and c.inverter is not None]
    taken = window.taken("shading").sum(axis=1)
    names = [window.names[c.inverter] for c in seen if c.inverter is not None]
    return Told(
        f"Rounds found strings in shade on {', '.join(names)}; what they saw at midday is carried on between rounds."
        if names
        else "No string was found in shade by a round, and nothing else looked.",
        tuple(Figure("energy in shade", float(taken[c.inverter]), "kWh", where=window.names[c.inverter])
              for c in seen if c.inverter is not None),
        "Dirt bands at the lower edge of the modules; shade at hours at which nobody traced strings is not seen.",
        "An interval log of the inverters; until then, look along the rows in the morning and the evening of a bright day.",
    )


def snow(window: Window) -> Told:
    state = window.state
    if state.log is None:
        return _modelled_snow(window)
    snowy = snow_days(state.model) & window.inside
    day = state.blocks.day[state.blocks.of]
    left = next((e.ac_factor for e in state.effects if e.cause == "snow"), None)
    covered = (left < 1.0).any(axis=0) & window.inside if left is not None else np.zeros(len(snowy), bool)
    n_snowy, n_covered = len(np.unique(day[snowy])), len(np.unique(day[covered]))
    return Told(
        f"Snow lay or had just fallen on {count(n_snowy, 'day')}; on {n_covered or 'none'} of them the inverters together gave "
        "far less than they could." if n_snowy else "On no day did snow lie or fall.",
        (Figure("days with snow", n_snowy, "days"), Figure("days of them with modules covered", n_covered, "days")),
        "An outage of all inverters on a day with snow; days that lose little are not seen." if n_snowy else "",
        "A camera on the array." if n_snowy else "",
    )


def _modelled_snow(window: Window) -> Told:
    state = window.state
    left = next((e.ac_factor for e in state.effects if e.cause == "snow"), None)
    day = state.blocks.day[state.blocks.of]
    covered = (left < 0.5).any(axis=0) & window.inside if left is not None else np.zeros(len(day), bool)
    n_snowy = len(np.unique(day[snow_days(state.model) & window.inside]))
    n_covered = len(np.unique(day[covered]))
    return Told(
        f"Snow lay or had just fallen on {count(n_snowy, 'day')}; by the published model of snow that slides off, held against "
        f"the meter's winter, more than half of some inverter lay under snow on {n_covered or 'none'} of them.",
        (Figure("days with snow", n_snowy, "days"), Figure("days with half of an inverter covered", n_covered, "days")),
        "Outages in winter, and low sun that the model has wrong." if n_snowy else "",
        "A camera on the array, or an interval log." if n_snowy else "",
    )


def _half_hour(hour: float) -> str:
    """A time of the day no finer than the 15° of azimuth that it is the mean of: `10:30`."""
    halves = int(np.floor(2.0 * hour + 0.5))
    return f"{halves // 2:02d}:{30 * (halves % 2):02d}"
