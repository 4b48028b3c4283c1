"""
What shade explains of each inverter's deficit, over where the sun stood.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from yieldwatch.expected.sun import sun_position
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.obstacle import beam_lost
from yieldwatch.pictures.base import Picture, Subject, rounded
from yieldwatch.pictures.months import by_month

AZIMUTH_STEP, ELEVATION_STEP = 15.0, 4.0
#: Share of direct light, and height of the sun [°], from which an interval shows what stands before the sun, as for the outline.
_BEAM, _LOW_SUN = 0.4, 5.0
#: Inverters drawn, those that lack most first.
_MOST = 24
#: Bins from the horizon up, more than there are.
_ROWS = 100
#: Days whose path of the sun is drawn.
_PATHS = {"21 June": (6, 21), "21 March and September": (3, 21), "21 December": (12, 21)}


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    One picture an inverter: for each month and bin of the sky the share of the direct light that is missing when all other causes
    are taken off [%], as of `months.by_month`; in `about` each bin has its azimuth and elevation [°], and each month its hours of
    direct light, used and in all. And the sun's paths.
    """
    state = subject.state
    if state.log is None or not np.isfinite(state.ratio).any():
        return
    model, sun = state.model, state.model.sun
    local = model.times.tz_convert(model.site.tz).tz_localize(None)
    lost = beam_lost(state)
    lit = np.asarray(sun.elevation > _LOW_SUN)
    names = model.inverter_ids
    month = np.asarray(local.year * 12 + local.month - 1)
    months = [f"{m // 12}-{m % 12 + 1:02d}" for m in range(month[0], month[-1] + 1)]
    month, day = month - month[0], np.asarray(local.normalize())
    recent = np.asarray(local >= local[-1] - pd.DateOffset(months=12))
    missing = (np.nan_to_num(lost) * model.dc)[:, recent].sum(axis=1)
    for k in sorted(range(len(names)), key=lambda k: (not state.shaded[k], -missing[k]))[:_MOST]:
        use = lit & np.isfinite(lost[k])
        if not use.any():
            continue
        beam = lit & (sum(model.plane_share[a][k] * light.beam_share for a, light in model.planes.items()) > _BEAM)
        sky = np.floor(sun.azimuth[use] / AZIMUTH_STEP).astype(int) * _ROWS + (sun.elevation[use] // ELEVATION_STEP).astype(int)
        columns, places, scatter = by_month("missing_pct", sky, 100.0 * lost[k, use], month[use], day[use], 0)
        hours = {
            name: rounded(model.weather.hours * np.bincount(month[which], minlength=len(months)), 1)
            for name, which in (("hours", use), ("lit_hours", beam))
        }
        yield Picture(
            "sun_position",
            names[k],
            columns,
            {
                "unit": "% of the direct light",
                "shaded": bool(state.shaded[k]),
                "azimuth_step": AZIMUTH_STEP,
                "elevation_step": ELEVATION_STEP,
                "months": months,
                "azimuth_deg": rounded(((p // _ROWS + 0.5) * AZIMUTH_STEP for p in places), 1),
                "elevation_deg": rounded(((p % _ROWS + 0.5) * ELEVATION_STEP for p in places), 1),
                "scatter": scatter,
                **hours,
            },
        )
    yield _paths(state, local[-1].year - 1)


def _paths(state: SiteState, year: int) -> Picture:
    site = state.model.site
    days, azimuth, elevation = [], [], []
    for name, (month, day) in _PATHS.items():
        times = pd.date_range(pd.Timestamp(year, month, day, tz=site.tz), periods=48, freq="30min").tz_convert("UTC")
        sun = sun_position(times, site.latitude, site.longitude, site.altitude_m)
        up = sun.elevation > 0.0
        order = np.argsort(sun.azimuth[up])
        days += [name] * int(up.sum())
        azimuth += rounded(np.asarray(sun.azimuth)[up][order], 1)
        elevation += rounded(np.asarray(sun.elevation)[up][order], 1)
    return Picture("sun_path", "", {"day": days, "azimuth_deg": azimuth, "elevation_deg": elevation}, {"unit": "°"})
