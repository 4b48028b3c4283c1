"""
Snow: days on which all inverters give far less than they could while snow lies or has just fallen.

Read off the log like a spell, because no rate tells when a roof of snow slides off.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.logs import InverterLog

#: Depth at which snow counts as lying. [m]
_LIES = 0.005
#: Below this air temperature precipitation is taken for snow where no depth is recorded. [°C] Common practice, no source.
_FREEZES = 1.0
#: Days for which fallen snow is thought to stay on modules without a record of it. Common practice, no source.
_STAYS_DAYS = 3
#: Share of the day's energy that must be missing on the median inverter.
_MISSING = 0.15


def snow_days(model: SiteModel) -> np.ndarray:
    """Daylight intervals of local days with lying or freshly fallen snow, bool, shape (n_times,)."""
    table = model.weather.table
    local = table.index.tz_convert(model.site.tz).tz_localize(None).normalize()
    if "snow_depth" in table and table["snow_depth"].notna().any():
        snowy = table["snow_depth"].groupby(local).max() > _LIES
    elif "precipitation" in table:
        falls = (table["precipitation"] > 0) & (table["temp_air"] < _FREEZES)
        snowy = falls.groupby(local).any().rolling(_STAYS_DAYS, min_periods=1).max() > 0
    else:
        return np.zeros(len(model.times), dtype=bool)
    day = model.times.tz_convert(model.site.tz).tz_localize(None).normalize()
    return pd.Series(snowy).reindex(day, fill_value=False).to_numpy(bool)


def snow_left(model: SiteModel, log: InverterLog | None, potential: np.ndarray) -> np.ndarray:
    """
    What snow leaves of each inverter's power, 1 without snow, shape (n_inverters, n_times).

    Parameters
    ----------
    potential : ndarray, shape (n_inverters, n_times)
        AC power each inverter could give in its own state. [kW]
    """
    left = np.ones(model.dc.shape)
    candidates = snow_days(model)
    if log is None or not candidates.any():
        return left
    could = np.minimum(potential, model.rating)
    known = np.isfinite(log.ac)
    day = pd.factorize(model.times.tz_convert(model.site.tz).tz_localize(None).normalize())[0]
    given = np.stack([np.bincount(day, weights=np.where(k, a, 0.0)) for k, a in zip(known, log.ac, strict=True)])
    able = np.stack([np.bincount(day, weights=np.where(k, c, 0.0)) for k, c in zip(known, could, strict=True)])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = over_known(np.nanmedian, np.where(able > 0, given / able, np.nan), axis=0)
    covered = candidates & (share[day] < 1.0 - _MISSING)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.clip(log.ac / could, 0.0, 1.0)
    # A missing reading on a covered day takes the day's own share.
    return np.where(covered, np.where(known & (could > 0), ratio, np.clip(share[day], 0.0, 1.0)), left)
