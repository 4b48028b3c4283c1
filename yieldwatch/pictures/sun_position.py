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

AZIMUTH_STEP, ELEVATION_STEP = 15.0, 4.0
#: Share of direct light, and height of the sun [°], from which an interval shows what stands before the sun, as for the outline.
_BEAM, _LOW_SUN = 0.4, 5.0
#: Inverters drawn, those that lack most first.
_MOST = 24
_MONTHS = 12
#: Days whose path of the sun is drawn.
_PATHS = {"21 June": (6, 21), "21 March and September": (3, 21), "21 December": (12, 21)}


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    One picture an inverter over the last twelve months: bins of sun azimuth and elevation [°] with the share of the direct light
    that is missing when all other causes are taken off [%], as median and middle half, the hours behind it, and the median of
    the twelve months before. And the sun's paths.
    """
    state = subject.state
    if state.log is None or not np.isfinite(state.ratio).any():
        return
    model, sun = state.model, state.model.sun
    day = model.times.tz_convert(model.site.tz).tz_localize(None).normalize()
    last = day[-1] + pd.Timedelta(days=1)
    first = max(day[0], last - pd.DateOffset(months=_MONTHS))
    recent = np.asarray(day >= first)
    before = ~recent & np.asarray(day >= first - pd.DateOffset(months=_MONTHS))
    lost, hours = beam_lost(state), model.weather.hours
    lit = np.asarray(sun.elevation > _LOW_SUN) & (recent | before)
    names = model.inverter_ids
    missing = (np.nan_to_num(lost) * model.dc)[:, recent].sum(axis=1)
    for k in sorted(range(len(names)), key=lambda k: (not state.shaded[k], -missing[k]))[:_MOST]:
        use = lit & np.isfinite(lost[k])
        if not use[recent].any():
            continue
        beam = sum(model.plane_share[a][k] * light.beam_share for a, light in model.planes.items()) > _BEAM
        yield Picture(
            "sun_position",
            names[k],
            _bins(sun.azimuth[use], sun.elevation[use], 100.0 * lost[k, use], recent[use], hours),
            {
                "unit": "% of the direct light",
                "from": first.date(),
                "to": day[-1].date(),
                "shaded": bool(state.shaded[k]),
                "azimuth_step": AZIMUTH_STEP,
                "elevation_step": ELEVATION_STEP,
                "hours": hours * int(use[recent].sum()),
                "coverage": float(use[recent].sum() / max((lit & beam)[recent].sum(), 1)),
                "hours_before": hours * int(use[before].sum()),
            },
        )
    yield _paths(state, last.year - 1)


def _bins(azimuth: np.ndarray, elevation: np.ndarray, missing: np.ndarray, recent: np.ndarray, hours: float) -> dict[str, list]:
    """Bins of the recent intervals, each of so many hours; beside them the year before, NaN where nothing was seen then."""
    frame = pd.DataFrame(
        {
            "azimuth": (np.floor(azimuth / AZIMUTH_STEP) + 0.5) * AZIMUTH_STEP,
            "elevation": (np.floor(elevation / ELEVATION_STEP) + 0.5) * ELEVATION_STEP,
            "missing": missing,
        }
    )
    old = frame[~recent].groupby(["azimuth", "elevation"])["missing"].median()
    frame = frame[recent]
    found = frame.groupby(["azimuth", "elevation"])["missing"].quantile([0.25, 0.5, 0.75]).unstack()
    counts = frame.groupby(["azimuth", "elevation"]).size()
    return {
        "azimuth_deg": rounded(found.index.get_level_values(0), 1),
        "elevation_deg": rounded(found.index.get_level_values(1), 1),
        "missing_pct": rounded(found[0.5], 1),
        "quarter_low_pct": rounded(found[0.25], 1),
        "quarter_high_pct": rounded(found[0.75], 1),
        "hours": rounded(hours * counts, 1),
        "before_pct": rounded(old.reindex(found.index), 1),
    }


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
