"""
What shade explains of each inverter's deficit, over where the sun stood.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from yieldwatch.expected.sun import sun_position
from yieldwatch.gap.attribute import DC_CAUSES, SiteState
from yieldwatch.pictures.base import Picture, Subject, rounded

AZIMUTH_STEP, ELEVATION_STEP = 15.0, 4.0
#: Share of direct light below which the light of the sky hides a shadow.
_BEAM = 0.4
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
    blocks = state.blocks
    last = blocks.dates[-1] + pd.Timedelta(days=1)
    first = max(blocks.dates[0], last - pd.DateOffset(months=_MONTHS))
    recent = np.asarray(blocks.dates[blocks.day] >= first)
    before = ~recent & np.asarray(blocks.dates[blocks.day] >= first - pd.DateOffset(months=_MONTHS))
    lost = shade_deficit(state)
    lit = (recent | before) & (blocks.beam_share > _BEAM) & (blocks.expected > 0)
    names = state.model.inverter_ids
    missing = [float((np.nan_to_num(lost[k]) * state.weight[k])[recent].sum()) for k in range(len(names))]
    for k in sorted(range(len(names)), key=lambda k: (not state.shaded[k], -missing[k]))[:_MOST]:
        use = lit[k] & np.isfinite(lost[k])
        if not use[recent].any():
            continue
        columns = _bins(blocks.azimuth[use], blocks.elevation[use], 100.0 * lost[k, use] / blocks.beam_share[k, use], recent[use])
        yield Picture(
            "sun_position",
            names[k],
            columns,
            {
                "unit": "% of the direct light",
                "from": first.date(),
                "to": blocks.dates[-1].date(),
                "shaded": bool(state.shaded[k]),
                "azimuth_step": AZIMUTH_STEP,
                "elevation_step": ELEVATION_STEP,
                "hours": int(use[recent].sum()),
                "coverage": float(use[recent].sum() / max(lit[k, recent].sum(), 1)),
                "hours_before": int(use[before].sum()),
            },
        )
    yield _paths(state, last.year - 1)


def shade_deficit(state: SiteState) -> np.ndarray:
    """
    Share of each block's output that is missing beyond all causes but shade, shape (n_inverters, n_blocks).

    NaN where the log says nothing. `ratio` is against the light as read, the other causes against the light as corrected.
    """
    causes = (*(c for c in DC_CAUSES if c != "shading"), "inverter_efficiency", "level")
    others = sum(state.posterior.loss(c, *state.ratio.shape) for c in causes)
    return -np.expm1(state.ratio - state.light_correction + others)


def _bins(azimuth: np.ndarray, elevation: np.ndarray, missing: np.ndarray, recent: np.ndarray) -> dict[str, list]:
    """Bins of the recent hours; beside them what they showed in the year before, NaN where nothing was seen then."""
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
        "hours": [int(n) for n in counts],
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
