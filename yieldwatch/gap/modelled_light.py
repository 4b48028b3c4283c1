"""
What it costs in certainty that expected energy rests on light, or air temperature, that nobody measured.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from yieldwatch.expected.power import SiteModel

#: Standard deviation of a day's light about the usual one, relative. Common practice, no source.
_DAY_SD = 0.45
#: The same of the usual light itself, from days next to the gap and from other seasons. Common practice, no source.
_NEAR_SD, _FAR_SD = 0.1, 0.3
#: A day further than this from every measured one is filled from the whole record, as in `expected.weather`. [days]
_NEAR_DAYS = 15
#: Share of a month's expected energy in modelled light from which the month is named. Common practice, no source.
_MUCH = 0.25


def light_doubt(model: SiteModel, expected: np.ndarray, month: np.ndarray, n_months: int, n_draws: int,
                rng: np.random.Generator) -> np.ndarray:
    """
    Draws of the error that modelled light makes in expected energy.

    Parameters
    ----------
    expected : ndarray, shape (n_times,)
        Expected energy of each interval of the model. [kWh]
    month : ndarray of int, shape (n_times,)
        Its month, -1 outside.

    Returns
    -------
    ndarray, shape (n_draws, n_months)
        [kWh]; nil where all was measured. Days err by themselves, the usual light errs alike in all months.
    """
    modelled = model.weather.modelled[model.at]
    day = np.unique(model.times.tz_convert(model.site.tz).normalize(), return_inverse=True)[1]
    n_days = int(day.max()) + 1
    energy = np.bincount(day, weights=np.where(modelled, expected, 0.0), minlength=n_days)
    known = np.flatnonzero(np.bincount(day, weights=~modelled, minlength=n_days) > 0)
    far = _distance(n_days, known) > _NEAR_DAYS
    month_of = np.full(n_days, -1)
    month_of[day] = month
    inside = month_of >= 0
    usual = np.where(far, _FAR_SD, _NEAR_SD) * energy
    alike, alone = (np.bincount(month_of[inside], weights=w[inside], minlength=n_months)
                    for w in (usual, (_DAY_SD * energy) ** 2))
    return (rng.standard_normal((n_draws, 1)) * alike[None, :]
            + rng.standard_normal((n_draws, n_months)) * np.sqrt(alone)[None, :])


def _distance(n: int, known: np.ndarray) -> np.ndarray:
    """Days from each day to the nearest known one."""
    if not len(known):
        return np.full(n, n)
    days = np.arange(n)
    after = np.searchsorted(known, days)
    return np.minimum(np.abs(days - known[np.maximum(after - 1, 0)]), np.abs(known[np.minimum(after, len(known) - 1)] - days))


def light_not_measured(model: SiteModel, expected: np.ndarray, month: np.ndarray, months: Sequence[str]) -> list[str]:
    """A sentence that names the months whose expected energy rests much on modelled light, if there are any."""
    kept = month >= 0
    modelled = model.weather.modelled[model.at]
    whole, part = (np.bincount(month[kept], weights=np.where(here, expected, 0.0)[kept], minlength=len(months))
                   for here in (np.ones(len(month), bool), modelled))
    much = [(name, p / w) for name, w, p in zip(months, whole, part, strict=True) if w > 0 and p > _MUCH * w]
    if not much:
        return []
    named = ", ".join(f"{name} ({100 * share:.0f} %)" for name, share in much[:6])
    more = f" and {len(much) - 6} more" if len(much) > 6 else ""
    return [f"expected energy: Light or air temperature was not measured for much of {named}{more}, by expected energy. Usual "
            "weather stands there, so what these months lost is hardly known. Fill weather.csv from another source."]
