"""
What casts the shade: the angular height of the obstacle by bearing, read off the sun-position picture of an inverter.

The residual of the fit without its shade, laid out over sun azimuth and elevation, is the obstacle as the inverter's most
shaded string sees it: while the sun is below its top the beam is lost, above it is not. In each step of azimuth the lost share
of beam is fitted as a falling function of elevation (isotonic regression); the top is where it comes down to the scatter. What
design rows and the far horizon take is in the expected energy already, so that an outline is beyond the design.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.blocks import AZIMUTH_STEP
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.off import inverter_ac

#: Share of beam in the light, and of rating in the output to be expected, below which an interval does not say what stands before
#: the sun.
_BEAM, _DARK = 0.4, 0.01
#: Elevation below which no model of the sky is to be trusted, as in the fit. [°]
_LOW_SUN = 5.0
#: Share of beam lost at which an obstacle's edge is drawn; and the mean below the edge from which it counts as an obstacle, since
#: models err by some per cent of the beam in low sun. Common practice, no source.
_EDGE, _CLEAR = 0.04, 0.10
#: Scatter below the edge, as a share of the mean, beyond which the loss follows the season and not the sun's height: grass.
_COMES_AND_GOES = 0.6
#: Least intervals below the edge, and in a step of azimuth in all; a fit's last intervals that hold the edge.
_LEAST, _LEAST_ALL = 8, 60
#: Draws of the bootstrap over days, from a seeded generator.
_DRAWS = 200
#: What an edge is off by for the width of the sun, a string's own extent and the last sliver of shade that costs nothing.
#: Set on drawn farms. [°]
_OUTLINE_DOUBT = 1.8
COLUMNS = (
    "site_id", "inverter_id", "from", "to", "azimuth_from_deg", "azimuth_to_deg", "height_deg", "height_low_deg",
    "height_high_deg", "sun_highest_deg", "beam_lost_pct", "energy_kwh", "months", "rise_per_10_m", "half_height_deg",
)  # fmt: skip


class _Edge(NamedTuple):
    """Where the loss ends [°], and the mean share of beam lost below."""

    height: float
    lost: float


def beam_lost(state: SiteState) -> np.ndarray:
    """
    Share of the beam that each inverter lost in each interval beyond all causes but shade, shape (n_inverters, n_times).

    NaN without a log, where it is not usable, and where the light is mostly the sky's. Scatter makes it negative at times.
    """
    model, blocks = state.model, state.blocks
    shape = state.ratio.shape
    if state.log is None:
        return np.full((shape[0], len(model.times)), np.nan)
    others = {c.cause for c in state.posterior.columns} - {"shading"}
    rest = sum((state.posterior.loss(c, *shape) for c in sorted(others)), np.zeros(shape))
    could = inverter_ac(model) * np.exp(-rest)[:, blocks.of]
    beam = sum(model.plane_share[a][:, None] * light.beam_share[None, :] for a, light in model.planes.items())
    free = np.isfinite(state.ratio)[:, blocks.of] & (state.off.running > 0) & (could > _DARK * model.rating)
    free &= (beam > _BEAM) & (model.sun.elevation > _LOW_SUN)
    return np.where(free, (1.0 - state.log.ac / np.maximum(could, 1e-9)) / np.maximum(beam, _BEAM), np.nan)


def outlines(state: SiteState, shade: np.ndarray, inside: np.ndarray) -> pd.DataFrame:
    """
    The obstacle's outline of each inverter with shade.

    Parameters
    ----------
    state : SiteState
    shade : ndarray, shape (n_inverters, n_times)
        Energy that shading took of each interval, from the split. [kWh]
    inside : ndarray of bool, shape (n_times,)
        Intervals of the months that are told of.

    Returns
    -------
    DataFrame
        A row for each inverter and step of azimuth in which the edge stands out of the scatter; empty without a log.

        - `height_deg`: top of the obstacle above the horizontal as the most shaded string sees it, 90 % bounds from a bootstrap
          over days.
        - `sun_highest_deg`: how high the sun stands there; an edge within one degree of it is a least height, and its upper
          bound is blank.
        - `beam_lost_pct`: beam that the inverter loses below the edge, mean.
        - `energy_kwh`: what shading took in that step; `months`: those in which it took nine tenths of what went with the sun
          below the top.
        - `rise_per_10_m`: top above the string for each 10 m of distance, 10 tan(height). [m]
        - `half_height_deg`: where the top would have to be for half of `energy_kwh` to come back: half of it went with the sun
          above; NaN where that is no lower than the edge.
    """
    model, rng = state.model, np.random.default_rng(11)
    lost, weight = beam_lost(state), state.model.output()
    step = np.floor(model.sun.azimuth / AZIMUTH_STEP).astype(int)
    local = model.times.tz_convert(model.site.tz)
    day = np.asarray((local.tz_localize(None).normalize() - local[0].tz_localize(None).normalize()).days)
    month, days = np.asarray(local.month), local[inside]
    rows = []
    for k in np.flatnonzero(state.shaded):
        for s in np.unique(step[inside]):
            place = inside & (step == s)
            here = np.flatnonzero(place & np.isfinite(lost[k]))
            if len(here) < _LEAST_ALL:
                continue
            high, share = model.sun.elevation[here], lost[k, here]
            edge = _edge(high, share, weight[k, here])
            if edge is None:
                continue
            low, top = _bounds(high, share, weight[k, here], day[here], rng)
            highest = float(high.max())
            least = edge.height > highest - 1.0
            half = _half(model.sun.elevation[place], shade[k, place])
            by_month = np.bincount(month[place], weights=shade[k, place], minlength=13)
            # What went with the sun above the top is the sky's, or the picture's blur: it is not when the top bites.
            under = place & (model.sun.elevation <= np.fmax(top, edge.height))
            bites = np.bincount(month[under], weights=shade[k, under], minlength=13)
            rows.append(
                (
                    model.site.id, model.inverter_ids[k], days[0].date(), days[-1].date(), s * AZIMUTH_STEP,
                    (s + 1) * AZIMUTH_STEP, edge.height, min(low, edge.height),
                    np.nan if least else max(top, edge.height), highest, 100.0 * edge.lost,
                    float(by_month.sum()), _most(bites), 10.0 * np.tan(np.radians(edge.height)),
                    half if half < edge.height else np.nan,
                )
            )  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _edge(high: np.ndarray, share: np.ndarray, weight: np.ndarray) -> _Edge | None:
    """The elevation at which the loss ends, None where no loss stands out."""
    order = np.argsort(high)
    high, share, weight = high[order], share[order], weight[order]
    clear = np.median(share[-max(len(share) * 2 // 5, 1) :])  # above an obstacle
    share = share - max(clear, 0.0)
    fitted = isotonic_regression(share, weights=weight, increasing=False).x
    count = int((fitted > _EDGE).sum())
    if count < _LEAST:
        return None
    mean = float(np.average(share[:count], weights=weight[:count]))
    scatter = float(np.average(np.abs(share - fitted)[:count], weights=weight[:count]))
    if mean < _CLEAR or scatter > _COMES_AND_GOES * mean:
        return None
    return _Edge(float(high[count - 1]), mean)


def _bounds(high: np.ndarray, share: np.ndarray, weight: np.ndarray, day: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """5th and 95th percentile of the edge over days drawn again. [°]"""
    days, member = np.unique(day, return_inverse=True)
    by_day = [np.flatnonzero(member == n) for n in range(len(days))]
    found = np.full(_DRAWS, np.nan)
    for n in range(_DRAWS):
        drawn = np.concatenate([by_day[i] for i in rng.integers(len(days), size=len(days))])
        edge = _edge(high[drawn], share[drawn], weight[drawn])
        if edge is not None:
            found[n] = edge.height + rng.normal(0.0, _OUTLINE_DOUBT)
    return over_known(np.nanquantile, found, [0.05, 0.95])


def _half(high: np.ndarray, energy: np.ndarray) -> float:
    """The elevation with as much of the energy above as below; NaN where there is none. [°]"""
    order = np.argsort(high)
    below = np.cumsum(energy[order])
    return float(high[order][np.searchsorted(below, 0.5 * below[-1])]) if below[-1] > 0 else np.nan


def _most(by_month: np.ndarray) -> str:
    """The fewest months that hold nine tenths of the energy, in the order of the calendar, as numbers."""
    order = np.argsort(by_month)[::-1]
    reach = np.cumsum(by_month[order])
    some = order[: int(np.searchsorted(reach, 0.9 * reach[-1])) + 1] if reach[-1] > 0 else order[:0]
    return " ".join(str(m) for m in sorted(some))
