"""
Shade from plants: cut them.

What is lost from summer to winter beyond what the same sun position lost from winter to summer is grass: it is back in weeks.
The rest is taken for hedges and trees, back over years. Without a log no season of the shade was measured: what was cut before,
by the record, tells grass from hedges, or nothing does.
An inverter whose shade keeps to one narrow band of azimuth stands behind a pole, which nobody cuts.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.comeback import against_mean, kept, paces
from yieldwatch.action.outlook import Gain, Relief
from yieldwatch.action.remedies.first_look import first_look
from yieldwatch.action.remedies.look import Look, percent, relative
from yieldwatch.action.replay import Replay
from yieldwatch.action.starts import START_DAYS, by_month, to_scale
from yieldwatch.gap.blocks import AZIMUTH_STEP

#: Share of the shade that a cut takes away: what stands below it stays. Common practice, no source.
CUT_CURES = 0.85
#: Years in which a cut hedge grows back by 63 % where it had reached its height. Common practice, no source (a trim 6 to 12
#: months, a crown 3 to 5 years).
HEDGE_YEARS = 3.0
#: Days in which cut grass is back in its season: 4 to 8 weeks. Common practice, no source.
GRASS_DAYS = 42.0
#: When to mow: before grass reaches the glass. Common practice, no source.
_MOW_NORTH, _MOW_SOUTH = ("05-01", "06-15"), ("11-01", "12-15")
#: Day of the year of the northern summer solstice, and how many times its shade of spring a hedge may cast in autumn, when it
#: has grown a summer. Common practice, no source.
_SOLSTICE, _GROWN_ON = 172, 1.5
#: Share of a year's energy in which an inverter is clearest (common practice, no source); and how much of what plants take in the
#: mean they take even then, as they hide some sky at all hours (up to 0.6 under the hedges of drawn farms).
_CLEAREST, _SKY_THEN = 0.1, 0.6
#: Share of an inverter's year below which its shade is not worth a visit.
_MATTERS = 0.002
#: A pole: this share of the shade within two steps of azimuth.
_POLE = 0.85
#: Grass's share of the shade above which the job is to mow.
_MOSTLY = 0.6
#: How far a cut's success varies from one to the next, since neither how tall the plants are nor how low they may be cut is
#: known: from a trim that opens little to a sky that opens wholly. Relative. Common practice, no source.
_CUT_DOUBT = 0.6
#: How a look settles what plants take, and its standard uncertainty. Relative. Common practice, no source.
_HOW = "from the modules' lower edge, measure direction, height and distance of what stands before them, and who may cut it"
_OUTLINE_DOUBT = 0.3
#: Words of a note that tell what was cut, and the months in which what nobody named was grass: birds nest, and grass grows, from
#: spring to late summer (months of the north). Common practice, no source.
_OF_GRASS, _OF_HEDGES = ("grass", "mow", "meadow", "strim"), ("hedge", "tree", "shrub", "bush", "branch", "prun", "coppice")
_GROWING = (4, 5, 6, 7, 8)
#: Chance that what rounds saw in the shade without a log is grass: by cuts on record of grass alone, of hedges alone, and by none
#: or both. Common practice, no source.
_GRASS_CUT, _HEDGES_CUT, _NOT_SAID = 0.9, 0.1, 0.5
#: Chance that what shades is a plant that may be cut, and no building, slope or neighbour's tree. Common practice, no source.
_PLANT = 0.85


def cut_vegetation(look: Look) -> list[Candidate]:
    """Cut hedges, trees or grass; no job where no plant takes light. In doubt, a look before it."""
    of_plants = _of_plants(look)
    at, taken = _last_year(look, of_plants)
    energy = look.state.blocks.expected[:, at].sum(axis=1)
    rows = [k for k, row in enumerate(taken) if row.sum() > _MATTERS * energy[k] and not _pole(look, at, row)]
    if not rows:
        return []
    measured = look.state.log is not None
    grass = np.stack([_grass(look, k) for k in rows]) if measured else _chance_of_grass(look, rows, at)
    grass_share = float((taken[rows] * grass[:, at]).sum() / taken[rows].sum())
    season = (_MOW_NORTH if look.site.latitude >= 0 else _MOW_SOUTH) if grass_share > _MOSTLY else None
    by_draw = _by_draw(look, rows, at, of_plants)
    cures = look.site.assumed("cut_cures_share", CUT_CURES)
    hedge_years = look.site.assumed("vegetation_returns_years", HEDGE_YEARS)
    grass_days = look.site.assumed("grass_returns_days", GRASS_DAYS)
    delay = _days_until(look.outlook.as_of, season[0]) if season else 0

    regrown = _regrown(look, hedge_years)
    # Of plants whose shade grows from year to year what was cut stays behind.
    back_years = hedge_years / max(1.0 - look.outlook.shade_still_grows, 1e-6)

    def gain_where(grass: np.ndarray) -> Gain:
        def opened(replay: Replay, year: int) -> np.ndarray:
            since = year * 365 + replay.day - delay
            hedge = regrown * kept(np.maximum(since, 0) / 365.25, back_years)
            low = np.clip(1.0 - since / grass_days, 0.0, 1.0)
            part = grass[:, replay.blocks]
            stays = (part * low + (1.0 - part) * hedge) * (since >= 0)
            return _opened(look.outlook.shade_ahead(replay, year)[rows] * of_plants[rows][:, replay.blocks], cures * stays)

        return look.outlook.gain(Relief(tuple(rows), dc=opened))

    names = ", ".join(look.names[k] for k in rows)
    plant = "grass" if season else "hedges or trees" + (", and grass" if grass_share > 0.2 else "")
    seen, growth = len(look.outlook.replays) > 1, 100.0 * (look.outlook.shade_growth - 1.0)
    changed = f"{'changed' if seen else 'is taken to change'} by {growth:+.0f} %"
    if abs(growth) < 0.5:
        changed = "hardly changed" if seen else "is taken not to change"
    common = all(c.tag[:1] == ("common",) for c in look.state.posterior.columns if c.cause == "shading")
    beside = ("against the inverters in the open" if len(rows) < len(look.names)
              else "against what was to be expected by their own hours of high sun")
    against = (
        "by what all lack alike when the sun is low" if common
        else f"{beside}; by sun position and season it is {plant}" if measured
        else f"as rounds saw it; no log measured its seasons, and by the cuts on record it is grass with a chance of "
             f"{100 * grass_share:.0f} %")
    why = (
        f"{names} lost {percent(by_draw.mean())} to shade in the twelve months before {look.outlook.as_of}, "
        f"{against}. From one year to the next it {changed}.")
    growing = ", as these were by their shade" if look.outlook.shade_still_grows > 0.5 else ""
    back = (
        f"A cut is taken to cure {100 * cures:.0f} % of the shade. Hedges that had reached their height are back over about "
        f"{hedge_years:.0f} years, those that were still growing{growing} stay behind by what was cut; grass is back within "
        f"{grass_days / 7:.0f} weeks of its season.")
    there = _PLANT * float((by_draw > _MATTERS).mean())
    # The share that a cut cures is a mean that holds the chance of there being nothing to cut.
    sizes = relative(by_draw) * look.doubt(_CUT_DOUBT) * look.is_there(_PLANT) / _PLANT
    returns = against_mean(paces(back_years, look.n_draws, look.rng), back_years, look.outlook.months)
    if measured:
        parts = [(gain_where(grass), sizes[:, None] * (grass_share + (1.0 - grass_share) * returns))]
    else:  # either the one or the other
        is_grass = look.is_there(grass_share)
        parts = [(gain_where(np.ones_like(grass)), sizes * is_grass),
                 (gain_where(np.zeros_like(grass)), (sizes * (1.0 - is_grass))[:, None] * returns)]
    total = sum(float((size.reshape(look.n_draws, -1) * gain.kwh).sum(axis=1).mean()) for gain, size in parts)
    later = _later(look, rows, of_plants, grass, cures, back_years, grass_days)
    scaled = to_scale(later[1] * sizes[:, None], delay, total)
    cut = look.job("cut_vegetation", "shading", ("site",), parts, there, why, back, season=season, later=(later[0], scaled))
    return first_look(look, cut, _HOW, sizes, _OUTLINE_DOUBT)


def _chance_of_grass(look: Look, rows: list[int], at: np.ndarray) -> np.ndarray:
    """
    Chance that what shades is grass where no log measured its seasons, shape (n_rows, n_blocks).

    What all inverters share when the sun is low is a hedge's. What rounds saw is what was cut before, by the record.
    """
    events = look.data.events
    cuts = events[events["kind"] == "vegetation_cut"] if len(events) else events
    mown = [_mown(look, cut.start, str(getattr(cut, "note", ""))) for cut in cuts.itertuples()]
    chance = _NOT_SAID if not mown or any(mown) != all(mown) else _GRASS_CUT if all(mown) else _HEDGES_CUT
    expected = look.state.blocks.expected
    out = np.zeros((len(rows), expected.shape[1]))
    for n, k in enumerate(rows):
        seen = shared = 0.0
        for column, size in zip(look.state.posterior.columns, look.outlook.draws.mean(axis=0), strict=True):
            if column.cause == "shading" and (shape := column.at(k)) is not None:
                lost = size * float(shape[at] @ expected[k, at])
                seen, shared = (seen + lost, shared) if column.tag[:1] == ("rounds",) else (seen, shared + lost)
        out[n] = chance * seen / max(seen + shared, 1e-9)
    return out


def _regrown(look: Look, hedge_years: float) -> float:
    """Share of a hedge's shade that came back since its last recorded cut: cutting again can take off no more than that."""
    events = look.data.events
    cuts = events[events["kind"] == "vegetation_cut"] if len(events) else events
    last = [cut.start for cut in cuts.itertuples() if not _mown(look, cut.start, str(getattr(cut, "note", "")))]
    if not last:
        return 1.0
    days = (pd.Timestamp(look.outlook.as_of, tz=look.site.timezone) - max(last)).total_seconds() / 86400.0
    return float(-np.expm1(-max(days, 0.0) / 365.25 / hedge_years))


def _mown(look: Look, day: pd.Timestamp, note: str) -> bool:
    """Whether a recorded cut was of grass: by its note, and where that is silent by the season in which hedges are let be."""
    said = note.casefold()
    if any(word in said for word in _OF_GRASS):
        return True
    if any(word in said for word in _OF_HEDGES):
        return False
    month = day.tz_convert(look.site.tz).month
    return (month if look.site.latitude >= 0 else (month + 5) % 12 + 1) in _GROWING


def _opened(shade: np.ndarray, share: np.ndarray) -> np.ndarray:
    """What comes back, as -ln, where a share of the energy that this shade takes is won back."""
    return shade + np.log1p(np.expm1(-shade) * (1.0 - share))


def _later(look: Look, rows: list[int], of_plants: np.ndarray, grass: np.ndarray, cures: float, back_years: float,
           grass_days: float) -> tuple[Gain, np.ndarray]:
    """
    Energy that a cut on each of `START_DAYS` returns until the plants are back.

    Returns
    -------
    Gain
        Of a cut that never grows back.
    ndarray, shape (n_starts, 1, n_months)
        [kWh]
    """
    outlook = look.outlook

    def never_back(share: np.ndarray) -> Gain:
        return outlook.gain(Relief(tuple(rows), dc=lambda r, y: _opened(
            outlook.shade_ahead(r, y)[rows] * of_plants[rows][:, r.blocks], cures * share[:, r.blocks])))

    whole, low = never_back(np.ones_like(grass)), never_back(grass)
    since = np.arange(len(outlook.day_month)) - START_DAYS[:, None]
    hedge_stays = kept(np.maximum(since, 0) / 365.25, back_years)
    low_stays = np.clip(1.0 - since / grass_days, 0.0, 1.0)
    of_grass, of_all = outlook.by_day(low), outlook.by_day(whole)
    daily = (of_grass * low_stays + np.maximum(of_all - of_grass, 0.0) * hedge_stays) * (since >= 0)
    return whole, by_month(daily, outlook.day_month)[:, None, :]


def _of_plants(look: Look) -> np.ndarray:
    """
    Share of each inverter's shade in each block that may be a plant's, shape (n_inverters, n_blocks).

    A plant takes little in the clearest tenth of the last twelve months' energy. What is lacking even then beyond the sky that it
    hides is something else, as a leak that no round has seen.
    """
    at, shade = look.outlook.replays[0].blocks, look.outlook.shade
    out = np.ones_like(shade)
    for k in np.flatnonzero(shade.any(axis=1)):
        order = np.argsort(shade[k, at])
        expected = look.state.blocks.expected[k, at][order]
        energy, lost = np.cumsum(expected), shade[k, at][order]
        least, mean = lost[np.searchsorted(energy, _CLEAREST * energy[-1])], lost @ expected / energy[-1]
        always = max(least - _SKY_THEN * (mean - least), 0.0)
        # Below nil a shadow lies on a string that is dead anyhow: no plant's cut wins that back.
        out[k] = np.where(shade[k] > 0.0, 1.0 - np.minimum(always, shade[k]) / np.maximum(shade[k], 1e-9), 0.0)
    return out


def _last_year(look: Look, of_plants: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Blocks of the last twelve months, and the energy plants take there, (n_inverters, n_blocks). [kWh]"""
    at = look.outlook.replays[0].blocks
    return at, -np.expm1(-look.outlook.shade[:, at] * of_plants[:, at]) * look.state.blocks.expected[:, at]


def _step(look: Look) -> np.ndarray:
    return np.floor(look.state.blocks.azimuth / AZIMUTH_STEP).astype(int) % int(360 / AZIMUTH_STEP)


def _pole(look: Look, at: np.ndarray, taken: np.ndarray) -> bool:
    by_step = np.bincount(_step(look)[at], weights=taken, minlength=int(360 / AZIMUTH_STEP))
    return bool((by_step + np.roll(by_step, -1)).max() > _POLE * by_step.sum())


def _grass(look: Look, inverter: int) -> np.ndarray:
    """
    Grass's share of an inverter's shade in each block of the history.

    In the half-year after the summer solstice the sun stands as it did in that before it. A hedge shades alike in both; grass,
    low after the winter and tall from summer on, does not. What counts is the middle by energy of what a sun position lost in the
    first half, since grass of last summer stands into its first month. Where that half is not known it counts as hedge.
    """
    blocks = look.state.blocks
    shade, energy = look.outlook.shade[inverter], blocks.expected[inverter]
    date = blocks.dates[blocks.day]
    solstice = _SOLSTICE if look.site.latitude >= 0 else _SOLSTICE - 182
    from_solstice = (np.asarray(date.day_of_year) - solstice + 182) % 365 - 182
    since = np.minimum(np.abs(from_solstice) // 30, 5)
    cell = since * int(360 / AZIMUTH_STEP) + _step(look)
    before = from_solstice < 0
    as_spring = np.full(6 * int(360 / AZIMUTH_STEP), np.inf)
    known = np.flatnonzero(before & (energy > 0))
    known = known[np.argsort(shade[known], kind="stable")]
    for one in np.unique(cell[known]):
        here = known[cell[known] == one]
        below = np.cumsum(energy[here])
        # Below nil where a shadow lies on a string that is dead anyhow.
        as_spring[one] = max(shade[here[np.searchsorted(below, 0.5 * below[-1])]], 0.0)
    beyond = np.maximum(shade - _GROWN_ON * as_spring[cell], 0.0) * (~before | (since == 5))
    return np.divide(beyond, shade, out=np.zeros_like(shade), where=shade > 1e-6)


def _by_draw(look: Look, rows: list[int], at: np.ndarray, of_plants: np.ndarray) -> np.ndarray:
    """Share of the inverters' energy that plants took in the last twelve months, by draw."""
    expected = look.state.blocks.expected
    out = np.zeros(look.n_draws)
    for number, column in enumerate(look.state.posterior.columns):
        if column.cause == "shading":
            shapes = ((k, column.at(k)) for k in rows)
            per_unit = sum(float(s[at] @ (expected[k, at] * of_plants[k, at])) for k, s in shapes if s is not None)
            out += look.outlook.draws[:, number] * per_unit
    return out / expected[rows][:, at].sum()


def _days_until(as_of: dt.date, month_day: str) -> int:
    """Days to the start of the season, nil while it lasts."""
    month, day = (int(part) for part in month_day.split("-"))
    start = dt.date(as_of.year, month, day)
    if start < as_of - dt.timedelta(days=45):
        start = dt.date(as_of.year + 1, month, day)
    return max((start - as_of).days, 0)
