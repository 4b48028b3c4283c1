"""
Named rules that flag readings and never remove them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

#: An energy meter and the inverters' ratings together may be this far out. (common practice, no source)
RATING_MARGIN = 1.05


def stuck(values: np.ndarray | pd.Series, min_run: int) -> np.ndarray:
    """
    Flag runs of one repeated value, as a logger gives when it hears nothing new.

    Parameters
    ----------
    values : array, shape (n,)
        One series in the order of time, such as one inverter's power. [any unit]
    min_run : int
        Shortest run that is flagged, at least 2.

    Returns
    -------
    ndarray of bool, shape (n,)
        True on every value of such a run, its first included. Zero (night, or off) and NaN are
        never flagged; NaN ends a run.

    Raises
    ------
    ValueError
        If `min_run` is below 2: every value is a run of one.
    """
    if min_run < 2:
        raise ValueError(f"min_run = {min_run}, too short. Expected at least 2.")
    values = np.asarray(values, dtype=float)
    if not len(values):
        return np.zeros(0, dtype=bool)
    starts = np.append(True, values[1:] != values[:-1])  # NaN differs from itself, so it stands alone
    run = np.cumsum(starts) - 1
    length = np.bincount(run)[run]
    return (length >= min_run) & (values != 0) & ~np.isnan(values)


def impossible_energy(start: pd.Series, end: pd.Series, energy_kwh: pd.Series,
                      pac0_kw: float) -> tuple[np.ndarray, pd.Series]:
    """
    Flag meter periods with more energy than the inverters can deliver in them.

    Parameters
    ----------
    start, end : Series of datetime64[ns, UTC], shape (n,)
        The periods, rising and apart.
    energy_kwh : Series, shape (n,)
        Energy in each. [kWh]
    pac0_kw : float
        AC rating of all inverters. [kW]

    Returns
    -------
    spikes : ndarray of bool, shape (n,)
        True where the energy is above rating x duration x `RATING_MARGIN`.
    since : Series of datetime64[ns, UTC], shape (n,)
        For a spike, since when the meter had shown nothing: the end of the last period with energy
        before it (or the first start), where a gap or zeros lie between. NaT where it follows on, and
        where nothing spikes.
    """
    hours = (end - start).dt.total_seconds().to_numpy() / 3600.0
    energy = energy_kwh.to_numpy(dtype=float)
    spikes = energy > pac0_kw * hours * RATING_MARGIN
    last_end = end.where(energy > 0).shift().ffill().fillna(start.min())
    silent = spikes & (last_end < start).to_numpy()
    return spikes, last_end.where(silent)
