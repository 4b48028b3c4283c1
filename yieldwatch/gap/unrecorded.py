"""
Outages and instructions that nobody wrote down, on a farm without a log: how often, by those that are written down; in which
months, by how far the meter is short.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.snow import snow_days
from yieldwatch.gap.recorded import recorded_outages

#: Spells that go unrecorded for one that is written down. Common practice, no source.
_FORGOTTEN = 1.0
#: What the usual is worth against the record: years of it for how often, spells for how large. Common practice, no source.
_USUAL_WORTH = 1.0
#: A month's energy against the model, beyond a constant: it is learnt from the months, within this. More under snow. Common
#: practice, no source. [fraction]
_MONTH_SIGMA, _SNOW_SIGMA = (0.008, 0.03), 0.05
#: How far a farm's spells may be from what was expected of them: logarithm of their size. Their rate is as likely to be a third
#: as twice. Common practice, no source.
_SIZE_SPREAD = 0.7
#: Recorded spells in a year, and days of output that one takes: of each inverter and its own, or of the site and all. Common
#: practice, no source.
_USUAL = {"inverter_outage": (0.7, 0.5), "grid_outage": (0.5, 0.3), "curtailment": (0.5, 0.15)}
_TRIALS = 4000


def unrecorded(
    state: SiteState, data: SiteData, month: np.ndarray, expected: np.ndarray, measured: np.ndarray, told: np.ndarray,
    rng: np.random.Generator, off_by: dict[str, np.ndarray],
) -> dict[str, np.ndarray]:
    """
    Energy of unrecorded spells by cause, draw by draw, each of shape (n_draws, n_months); empty with a log. [kWh]

    Spells come by chance, with exponential sizes. Each month's draws are weighed by how well they explain the meter.

    Parameters
    ----------
    month : ndarray of int, shape (n_times,)
        Place of each daylight interval's month, -1 outside the period.
    off_by : dict of str to ndarray, shape (n_draws, n_months)
        What is known to move a cause's energy already; the draws are added to it. [kWh]
    expected, measured, told : ndarray, shape (n_months,)
        Expected and metered energy, NaN where not metered, and what all causes together are told to take. [kWh]
    """
    if state.log is not None:
        return {}
    n_draws, n_months, kept = len(state.posterior.draws), len(expected), month >= 0
    under = np.bincount(month[kept], weights=snow_days(state.model)[kept], minlength=n_months)
    snowy = under / np.maximum(np.bincount(month[kept], minlength=n_months), 1) > 0.1
    with np.errstate(invalid="ignore", divide="ignore"):
        short = -np.log(measured / (expected - told))
        dim = np.sqrt(0.5 * (1.0 + np.nanmedian(expected) / expected))
    short = short - np.nanmedian(short) if np.isfinite(short).any() else short
    own = 1.4826 * np.nanmedian(np.abs(short) / dim) if np.isfinite(short).any() else _MONTH_SIGMA[1]
    sigma = np.where(snowy, _SNOW_SIGMA, np.clip(own, *_MONTH_SIGMA)) * dim
    days = np.bincount(month[kept], weights=np.r_[True, np.diff(state.blocks.day[state.blocks.of]) > 0][kept], minlength=n_months)
    out = {}
    for cause, (per_year, size) in _spells(state, data).items():
        out[cause] = np.array(off_by.get(cause, np.zeros((n_draws, n_months))))
        for m in range(n_months):
            count = rng.poisson(per_year * days[m] / 365.25 * rng.exponential(1.0, _TRIALS))
            scale = size / max(days[m], 1.0) * np.exp(_SIZE_SPREAD * rng.standard_normal(_TRIALS))
            taken = np.where(count > 0, rng.gamma(np.maximum(count, 1), scale), 0.0)
            taken = np.minimum(taken, 0.95)
            weight = np.ones(_TRIALS)
            if np.isfinite(short[m]):
                # Student's t, as of the fit: a month may be off for other reasons.
                weight = (1.0 + ((short[m] + np.log1p(-taken)) / sigma[m]) ** 2 / 4.0) ** -2.5
            out[cause][:, m] += expected[m] * taken[rng.choice(_TRIALS, n_draws, p=weight / weight.sum())]
    return out


def _spells(state: SiteState, data: SiteData) -> dict[str, tuple[float, float]]:
    """Unrecorded spells a year, and days of the whole site's output that one takes, by cause."""
    model, events = state.model, data.events
    n, years = len(model.inverter_ids), len(state.blocks.dates) / 365.25
    each, grid = recorded_outages(model, data)
    light, site_cap = model.output(), state.limits.site_cap
    held = light.sum(axis=0) - site_cap * model.weather.hours
    day = float(light.sum()) / len(state.blocks.dates)
    kinds = events["kind"] if len(events) else pd.Series(dtype=str)
    of_site = events["scope"].map(lambda scope: "site" in scope) if len(events) else kinds.astype(bool)
    seen = {
        "inverter_outage": ((kinds == "outage") & ~of_site, light[each & ~grid].sum()),
        "grid_outage": ((kinds == "outage") & of_site, light[:, grid].sum()),
        "curtailment": (kinds == "curtailment", held[np.isfinite(site_cap)].clip(min=0.0).sum()),
    }
    out = {}
    for cause, (which, energy) in seen.items():
        per_year, size = _USUAL[cause]
        if cause == "inverter_outage":
            per_year, size = n * per_year, size / n
        count = int(which.sum())
        per_year = (count + _USUAL_WORTH * per_year) / (years + _USUAL_WORTH)
        out[cause] = (_FORGOTTEN * per_year, (energy / day + _USUAL_WORTH * size) / (count + _USUAL_WORTH))
    return out
