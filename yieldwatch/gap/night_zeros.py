"""
Silence of one inverter that began in a dry night: nothing trips then, but a logger may freeze.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel

#: Rain that wets an inverter [mm], in the hours before the first light; share of what could be given that comes back at once; and
#: most such mornings a year that are the logger's: more are a habit of the inverter, or of what shades it. Common practice, no
#: source.
_WETS_MM, _BEFORE, _AT_ONCE, _SELDOM = 0.2, pd.Timedelta(hours=12), 0.5, 3.0


def night_zeros(
    ac: np.ndarray, silent: np.ndarray, bright: np.ndarray, could: np.ndarray, model: SiteModel, known_off: np.ndarray
) -> np.ndarray:
    """
    Runs of zeros from the first light of a day on, after a day that ended with output and a night without rain.

    An inverter that trips when wet starts late after rain; one that failed by day was silent at dusk. What is left is taken for
    the logger's, if others ran, the output came back at once, and it is seldom. Without a reading of rain nothing is told.

    Parameters
    ----------
    ac, could : ndarray, shape (n_inverters, n_times)
        Logged and possible power. [kW]
    silent, bright, known_off : ndarray of bool, same shape
        No output in bright light; bright light; recorded outages and faults.

    Returns
    -------
    ndarray of bool, same shape
    """
    out = np.zeros(ac.shape, dtype=bool)
    table = model.weather.table
    if "precipitation" not in table or not silent.any():
        return out
    years = (model.times[-1] - model.times[0]) / pd.Timedelta(days=365.25)
    day = pd.factorize(model.times.tz_convert(model.site.tz).tz_localize(None).normalize())[0]
    for k in range(len(ac)):
        lit = np.flatnonzero(bright[k])
        first = np.r_[True, day[lit][1:] != day[lit][:-1]] if len(lit) else np.zeros(0, dtype=bool)
        mornings = []
        for dawn, before in zip(lit[1:][first[1:]], lit[:-1][first[1:]], strict=True):
            if not silent[k, dawn] or not ac[k, before] > 0.0 or silent[k, before] or day[dawn] - day[before] != 1:
                continue
            today = np.flatnonzero(day == day[dawn])
            today = today[today >= dawn]
            end = int(np.argmin(np.r_[silent[k, today], False]))
            run, after = today[:end], today[end : end + 2]
            back = (ac[k, after] > _AT_ONCE * could[k, after]).any()
            others_ran = (np.delete(ac, k, axis=0)[:, run] > 0.0).any(axis=0).all()
            if back and others_ran and not known_off[k, run].any():
                mornings.append(run)
        if len(mornings) <= max(1.0, _SELDOM * years):
            for run in mornings:
                out[k, run] = _dry(table["precipitation"], model.times[run[0]])
    return out


def _dry(rain: pd.Series, dawn: pd.Timestamp) -> bool:
    """Did no rain wet what stands outside in the hours before?"""
    night = rain[(rain.index >= dawn - _BEFORE) & (rain.index <= dawn)]
    return len(night) > 0 and bool(night.notna().all()) and float(night.sum()) < _WETS_MM
