"""
The patterns of the whole: ageing, and what is left unexplained.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.energy_draws import level_energy
from yieldwatch.gap.mechanisms.degradation import YEARLY_RATE
from yieldwatch.gap.patterns.window import Told, Window, interval, month_words
from yieldwatch.gap.why import Figure


def degradation(window: Window) -> Told:
    state, posterior = window.state, window.state.posterior
    age = (state.blocks.dates[-1].date() - state.model.site.commissioned).days / 365.25
    history = len(state.blocks.dates) / 365.25
    figures, said = [Figure("age", age, "years"), Figure("history", history, "years")], []
    for k, column in enumerate(posterior.columns):
        if column.cause != "degradation":
            continue
        value, prior = 100.0 * float(posterior.estimate[k]), f"published {100.0 * column.mean:.2f} ± {100.0 * column.sd:.2f}"
        low, high = interval(100.0 * posterior.draws[:, k], value)
        unit = "% a year" if "rate" in column.name else "%"
        figures.append(Figure(column.name, value, unit, low, high, note=prior))
        named = "" if column.name == YEARLY_RATE else f" {column.name.removeprefix(YEARLY_RATE).strip()}"
        said.append(f"{value:.2f} {unit}{' in the' if column.name == 'first year' else ''}{named} ({prior})")
    yearly = state.yearly
    if yearly is None:
        own = f"{history:.1f} years of the farm's own readings have moved them this far."
    else:
        change, half = 100.0 * yearly.rate, 164.5 * yearly.doubt
        figures.append(Figure("output over expected, year on year", change, "% a year", change - half, change + half,
                              note=f"median of {yearly.pairs} pairs a year apart"))
        own = (f"Year on year, output over what was expected changed by {change:+.2f} % a year ({change - half:+.2f} to "
               f"{change + half:+.2f} %, {yearly.pairs} pairs): shade and dirt that grow, and a light sensor that drifts, are in "
               "that, and the fit parts them from age.")
    return Told(
        f"At {age:.1f} years: {' and '.join(said)}. The figures start from published rates for crystalline silicon. "
        f"{own}",
        tuple(figures),
        "A constant error of a light sensor, of the site or of the rounds, looks the same, and so does dirt that rain does "
        "not take.",
        "A flash test of sample modules, or an IV round of clean modules with a calibrated reference cell of the same "
        "technology beside them.",
    )


def unexplained(window: Window) -> Told:
    state = window.state
    known = np.isfinite(window.unexplained)
    level = level_energy(state, window.split, window.inside)
    bias = [k for k, c in enumerate(state.posterior.columns) if c.name == "light bias"]
    figures = [
        Figure("the fit's own share for the light sensor", level["light_sensor"], "kWh"),
        Figure("the fit's own share for the model over season and sun", level["model"], "kWh"),
        Figure("the fit's own share for the inverters' own levels", level["inverter_level"], "kWh"),
    ]
    said = []
    if bias:
        middle = 100.0 * float(state.posterior.estimate[bias[0]])
        low, high = interval(100.0 * state.posterior.draws[:, bias[0]], middle)
        figures.append(Figure("light sensor reads too high by", middle, "%", low, high))
        off = "right" if abs(middle) < 0.05 else f"{abs(middle):.1f} % too {'high' if middle > 0 else 'low'}"
        said.append(
            f"By the fit the light, with what the notices correct of it, reads {off} (90 % interval {low:+.1f} to "
            f"{high:+.1f} %, above nil is too high). Of the unexplained that makes {level['light_sensor']:,.0f} kWh; the model's "
            f"error over season and sun position makes {level['model']:,.0f} kWh, the inverters' own levels "
            f"{level['inverter_level']:,.0f} kWh."
        )
    months = zip(window.months, window.unexplained, strict=True)
    figures += [Figure("unexplained", float(kwh), "kWh", where=month) for month, kwh in months if np.isfinite(kwh)]
    worst = int(np.nanargmax(np.abs(window.unexplained)))
    said.append(
        f"The largest month is {month_words(window.months[worst])} with {window.unexplained[worst]:,.0f} kWh"
        + (f"; {int((~known).sum())} of {len(known)} months have no measured value." if not known.all() else ".")
    )
    return Told(
        " ".join(said),
        tuple(figures),
        "Error of the light sensor or of modelled light, of the meter or the log, makers' spread above or below the plate, AC "
        "losses beyond design, light on the rear of bifacial modules, and causes that could not be assessed.",
        "A second, calibrated light sensor in the plane of the array for some weeks, and the meter held against the "
        "inverters' log.",
    )
