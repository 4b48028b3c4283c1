"""
Shading: a deficit that lives at certain sun positions and in the season when the plant casting it grows.

The deficit of an inverter against its best-lit peers is laid out over sun azimuth and month, beam and sky
apart. That is the obstacle's picture as the farm saw it, whatever the obstacle is, and needs no outline to be guessed. An
inverter gets such a picture only when its own deficit varies over the day by more than noise and low light explain.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from yieldwatch.expected.irradiance import reference_array
from yieldwatch.gap.blocks import AZIMUTH_STEP, Blocks
from yieldwatch.gap.gaps import over_known
from yieldwatch.gap.infer import Posterior
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.fault import WEAK, Fault
from yieldwatch.gap.mechanisms.level import light_from_service
from yieldwatch.gap.mechanisms.low_sun import MUCH_ROW_SHADE, shaded_alike
from yieldwatch.gap.mechanisms.shade_picture import BEAM_SD, OPEN_SD, hidden_sky, seen_cells

#: Days of history below which a day pattern cannot be told from a spell of weather. Common practice, no source.
SHORTEST_HISTORY = 90
#: Share of an inverter's yearly energy that its day pattern must cost before shade is considered.
_MATTERS = 0.002
#: Row shade, as a share of the light, beyond which a block proves nothing about other shade.
_ROW_SHADE = 0.03
#: Beam lost in a season, as -ln, from which shade needs no peer to show it, where the light is a service's, is global alone or
#: turned over from another plane, or is measured in the plane: inverters in the open reach 0.18, 0.15 and 0.05 on drawn farms.
_BEAM_BEHIND, _BEAM_BEHIND_TURNED, _BEAM_BEHIND_IN_PLANE = 0.3, 0.22, 0.15
#: Days of such a season, its fewest blocks, the sun's least height, below which no model is trusted [°], what the model may be
#: off by all the time, and the least scatter of the beam's share of the light: a season that is overcast throughout tells nothing
#: of the beam. Set on drawn farms.
_SEASON, _FEWEST_BLOCKS, _HIGH_SUN, _MODEL_BEAM, _BEAM_SCATTER = 45, 60, 10.0, 0.1, 0.15
#: Kinds of fault that are, or may be, strings without any current.
_DEAD = ("open", "unseen", WEAK)
#: Days over which a fault that goes with the light is taken as steady.
_SPELL = 10
#: Share of the sky's light that an inverter loses, standard deviation, and most, as -ln: what stands on one side hides a quarter.
#: Common practice, no source.
_SKY_SD, _SKY_MOST = 0.03, 0.3
#: What such an outline hides of the sky from all rows, as a share of what it hides from the first, and its standard uncertainty.
#: Set on drawn farms.
_SKY_ALL = (0.2, 0.2)
#: Deficit of a string against its peers from which a round saw shade on it; less is scatter.
_SEEN_SHADE = 0.03
#: Shade in the dormant months as a share of that in the growing season, where rounds alone tell. Common practice, no source.
_OFF_SEASON = 0.3
#: Share of such shade that a cut leaves. Common practice, no source.
_CUT_LEAVES = 0.15
#: What a look at midday is worth for the hours that nobody looked at, and its standard uncertainty. Set on drawn farms.
_LOOKS = (0.7, 0.5)


def shaded_inverters(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """
    Which inverters show a day pattern that peers do not, lack beam for a season, or with others a low sun, shape
    (n_inverters,), bool.

    Parameters
    ----------
    ratio : ndarray, shape (n_inverters, n_blocks)
        ln(measured / expected), NaN where not usable.
    weight : ndarray, same shape
        Expected energy of the usable intervals. [kWh]
    """
    if len(blocks.dates) < SHORTEST_HISTORY:
        return np.zeros(len(ratio), dtype=bool)
    behind = beam_behind(blocks, ratio, weight) > _clearly_behind(blocks)
    return (pattern_cost(blocks, ratio, weight) > _MATTERS) | behind | shaded_alike(blocks, ratio, weight, _own_light(blocks))


def _clearly_behind(blocks: Blocks) -> np.ndarray:
    """Beam that each inverter must lack in a season to be shaded, by what its light rests on, shape (n_inverters,)."""
    model = blocks.model
    if light_from_service(model):
        return np.full(len(blocks.expected), _BEAM_BEHIND)
    if "poa_global" not in model.weather.table:
        return np.full(len(blocks.expected), _BEAM_BEHIND_TURNED)
    return np.where(_own_light(blocks), _BEAM_BEHIND_IN_PLANE, _BEAM_BEHIND_TURNED)


def _own_light(blocks: Blocks) -> np.ndarray:
    """Whose light is not turned over from the plane of another inverter's, shape (n_inverters,), bool."""
    table, model = blocks.model.weather.table, blocks.model
    in_plane = np.asarray(model.plane_share[reference_array(model.site).id] > 0.5)
    return in_plane | ("ghi" in table) | ("poa_global" not in table)


def beam_behind(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """
    Share of the beam that each inverter lacks in its worst season beyond its best, the same share of the sky's light taken out.

    This needs no peer: grass before a whole farm takes the beam from all, or from the one inverter of its plane, and overcast
    hours of the same weeks show that nothing is broken. What is broken, dirty or old takes all light alike. Zero where no two
    seasons are known.
    """
    out = np.zeros(len(ratio))
    season = blocks.day // _SEASON
    plain = (blocks.row_shade < MUCH_ROW_SHADE) & (blocks.elevation > _HIGH_SUN)
    for k, row in enumerate(ratio):
        ok = np.isfinite(row) & (weight[k] > 0) & plain
        lacks = [
            _per_beam(blocks.beam_share[k, here], row[here], weight[k, here])
            for here in (ok & (season == s) for s in np.unique(season[ok]))
            if here.sum() >= _FEWEST_BLOCKS and blocks.beam_share[k, here].std() >= _BEAM_SCATTER
        ]
        if len(lacks) > 1:
            # A leak takes more of weak light: its seasons are no measure of the open.
            out[k] = max(max(lacks) - max(np.quantile(lacks, 0.2), -_MODEL_BEAM), 0.0)
    return out


def _per_beam(beam: np.ndarray, ratio: np.ndarray, weight: np.ndarray) -> float:
    """Fall of the ratio from no beam to all beam, least absolute deviations by reweighting."""
    design, w = np.stack([np.ones(len(beam)), beam], axis=1), weight
    for _ in range(5):
        theta = np.linalg.lstsq((design.T * w) @ design + 1e-9 * np.eye(2), (design.T * w) @ ratio, rcond=None)[0]
        w = weight / np.maximum(np.abs(ratio - design @ theta), 0.02)
    return float(-theta[1])


def pattern_cost(blocks: Blocks, ratio: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """
    Share of each inverter's energy that its day pattern costs against the best-lit peers in the same planes.

    An inverter alone in its plane has no such peer and no pattern: zero. Quarter by quarter the deficit against the best-lit is
    laid out, additively, over spells of ten days, strength of the light, and azimuth. What goes with the strength of the light is
    not shade: shunts lose most in weak light, series resistance in strong light, at any azimuth. Faults begin and end, so each
    spell has a deficit of each of these shapes of its own, beside what the light does all the time. Of the azimuths the best
    counts as free.
    """
    n = len(ratio)
    cost = np.zeros(n)
    if n < 2:
        return cost
    month = np.asarray(blocks.dates[blocks.day].year * 12 + blocks.dates[blocks.day].month)
    quarter = (month - month.min()) // 3
    step = np.floor(blocks.azimuth / AZIMUTH_STEP).astype(int)
    hours = np.bincount(blocks.of, minlength=blocks.n)
    deficit, best = np.full_like(ratio, np.nan), np.zeros_like(ratio)
    for group in np.unique(blocks.groups):
        alike = np.flatnonzero(blocks.groups == group)
        if len(alike) > 1:
            # Where the design rows shade each other, rows at the edge and within differ by the model's error: half of that
            # shade is doubt, and such hours do not set an inverter's usual level.
            behind, best[alike] = _behind_best_lit(ratio[alike], weight[alike], quarter, blocks.row_shade < _ROW_SHADE)
            deficit[alike] = np.maximum(behind - 0.5 * blocks.row_shade, 0.0)
    for k in range(n):
        # The light that peers turned into power, not the weather's: snow, or a cloud beside the sensor, makes weak light too.
        strength = blocks.expected[k] * np.exp(best[k]) / hours
        ok = np.isfinite(deficit[k]) & (weight[k] > 0) & (blocks.row_shade < MUCH_ROW_SHADE)
        if ok.sum() < 200:
            continue
        light = strength / np.quantile(strength, 0.95)
        total = 0.0
        for q in np.unique(quarter[ok]):
            here = np.flatnonzero(ok & (quarter == q))
            total += _azimuth_cost(deficit[k, here], weight[k, here], blocks.day[here] // _SPELL, light[here], step[here])
        cost[k] = total / weight[k, ok].sum()
    return cost


def _behind_best_lit(
    ratio: np.ndarray, weight: np.ndarray, quarter: np.ndarray, plain: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """
    How far each inverter is behind the best of all in each block, each first brought to its own usual level; and that best.

    The best of all, itself included: so an inverter in the open does not seem to fall behind whenever its neighbour is not
    shaded. The usual level is the 65th percentile of a quarter's energy, which shade of up to a third of it leaves alone, in the
    inverter's second best quarter against the model, over the blocks that are `plain`: under a hedge a whole winter may have no
    clean hour. By energy, because in weak light module types differ by their make.
    """
    levels = np.array(
        [
            [_level(row[here], energy[here]) for row, energy in zip(ratio, weight, strict=True)]
            for here in ((quarter == q) & plain for q in np.unique(quarter))
            if here.sum() > 20
        ]
    )
    usual = np.sort(np.where(np.isfinite(levels), levels, -np.inf), axis=0)[-min(2, len(levels))]
    aligned = ratio - np.where(np.isfinite(usual), usual, 0.0)[:, None]
    # Of many the very best of an hour is the luckiest.
    best_lit = over_known(np.nanmax, aligned, axis=0) if len(ratio) <= 6 else over_known(np.nanquantile, aligned, 0.75, axis=0)
    return best_lit - aligned, np.nan_to_num(best_lit)


def _level(ratio: np.ndarray, energy: np.ndarray) -> float:
    """65th percentile of the ratio by energy; NaN where nothing is known."""
    known = np.isfinite(ratio) & (energy > 0)
    if not known.any():
        return float("nan")
    order = np.argsort(ratio[known])
    below = np.cumsum(energy[known][order])
    return float(ratio[known][order][np.searchsorted(below, 0.65 * below[-1])])


def _azimuth_cost(deficit: np.ndarray, weight: np.ndarray, spell: np.ndarray, light: np.ndarray, step: np.ndarray) -> float:
    """Energy that the azimuth part of an additive fit takes beyond its tenth percentile. [kWh]"""
    strength = np.digitize(light, np.geomspace(0.04, 0.8, 14))
    levels = [np.unique(x) for x in (spell, strength, step)]
    parts = [(x[:, None] == u[None, :]).astype(float) for x, u in zip((spell, strength, step), levels, strict=True)]
    # A fixed current is a share that grows as the light falls; a resistance's share goes with the light.
    by_light = [parts[0] * shape[:, None] for shape in (0.2 / np.maximum(light, 0.05), light)]
    # The first level of light and azimuth is the reference of an additive fit.
    design = np.hstack([parts[0], *by_light, parts[1][:, 1:], parts[2][:, 1:]])
    if len(deficit) < 3 * design.shape[1]:
        return 0.0
    w, theta = weight.copy(), np.zeros(design.shape[1])
    for _ in range(4):
        theta = np.linalg.lstsq((design.T * w) @ design + 1e-6 * np.eye(len(theta)), (design.T * w) @ deficit, rcond=None)[0]
        w = weight / np.maximum(np.abs(deficit - design @ theta), 2e-3)
    effect = np.r_[0.0, theta[-(len(levels[2]) - 1) :]] if len(levels[2]) > 1 else np.zeros(1)
    energy, count = parts[2].T @ weight, parts[2].sum(axis=0)
    seen = energy > 0.03 * energy.sum()
    # Only what stands out of the scatter of the hours behind it counts: a few weeks of passing clouds make patterns too.
    doubt = 2.0 * 1.4826 * float(np.median(np.abs(deficit - design @ theta))) / np.sqrt(np.maximum(count, 1.0))
    beyond = np.maximum(effect - np.quantile(effect[seen], 0.1) - doubt, 0.0)
    return float((beyond * energy)[seen].sum())


def shading_columns(
    blocks: Blocks, inverters: np.ndarray, first: Posterior | None = None, faults: Sequence[Fault] = ()
) -> list[Column]:
    """
    For each inverter named: the beam lost in each azimuth step of each month, and the sky light lost, season by season.

    Where an obstacle stands it takes much, and elsewhere nothing. What the picture of an earlier fit, `first`, shows alike in all
    its least shaded cells is the inverter's level and no shade: those cells are in the open. A string of `faults` that is dead
    loses nothing more to a shadow on it, so that a cell may give back what the fault is counted for.
    """
    columns = []
    cells = pd.DataFrame() if first is None else seen_cells(blocks, inverters, first)
    clear: set[tuple[int, int, int]] = set()
    if len(cells):
        clear = set(cells.loc[cells["open"], ["inverter", "month", "step"]].itertuples(index=False, name=None))
        hidden = hidden_sky(cells) * (1.0 - blocks.beam_share)
        if hidden.any():
            columns.append(Column("shading", "sky behind the outline", hidden, None, *_SKY_ALL, 0.0, 2.0, ("sky for all",)))
    months = blocks.dates[blocks.day].year * 12 + blocks.dates[blocks.day].month
    month = (months - months.min()).to_numpy()
    step = np.floor(blocks.azimuth / AZIMUTH_STEP).astype(int)
    quarter = blocks.year_fraction * 4.0
    for k in np.flatnonzero(inverters):
        name = blocks.model.inverter_ids[k]
        beam = blocks.beam_share[k]
        for m in np.unique(month):
            dead = _dead(blocks, [f for f in faults if f.inverter == k], month == m)
            for s in np.unique(step[month == m]):
                here = (month == m) & (step == s)
                is_open = (int(k), int(m), int(s)) in clear
                columns.append(
                    Column(
                        "shading",
                        f"{name} month {m} azimuth {s * AZIMUTH_STEP:.0f}",
                        np.where(here, beam, 0.0),
                        int(k),
                        0.0 if is_open else 0.02,
                        OPEN_SD if is_open else BEAM_SD,
                        -dead,
                        3.0,
                        ("beam", int(m), int(s)),
                    )
                )
        for q in range(int(np.ceil(quarter.max())) + 1):
            tent = np.clip(1.0 - np.abs(quarter - q), 0.0, 1.0)
            sky = tent * (1.0 - beam)
            columns.append(
                Column("shading", f"{name} sky, quarter {q}", sky, int(k), 0.01, _SKY_SD, 0.0, _SKY_MOST, ("sky", q))
            )
    return columns


def _dead(blocks: Blocks, faults: list[Fault], here: np.ndarray) -> float:
    """What the faults of an inverter that may be dead strings take in some blocks, as -ln: each is there or is not."""
    dead = (f for f in faults if f.cause == "string_fault" and f.kind in _DEAD and f.begun(blocks.day[here]).min() > 0.5)
    return float(sum(f.share for f in dead))


def round_shade_columns(
    blocks: Blocks, rounds: pd.DataFrame, findings: pd.DataFrame, events: pd.DataFrame
) -> list[Column]:
    """
    Shade that rounds saw, for a farm whose log does not show it: one column for each inverter with strings found in shade.

    A round is a look at midday on a bright day. Between looks what they saw is interpolated, strings in the open counted; in the
    dormant months, when grass lies and leaves are down, `_OFF_SEASON` of it, and after a recorded cut `_CUT_LEAVES`. How far a
    look at midday stands for the other hours is the unknown: `_LOOKS`, with its doubt.
    """
    if rounds.empty or findings.empty:
        return []
    dark = set(findings.loc[findings["finding"] == "shaded", "string_id"])
    seen = rounds[rounds["grade"] != "unfit"]
    lost = np.where(seen["string_id"].isin(dark), 1.0 - seen["p_mp_peer"], 0.0)
    lost = pd.Series(np.where(lost > _SEEN_SHADE, np.minimum(lost, 1.0), 0.0), seen.index)
    day = seen["time"].map(blocks.day_of)
    by_look = pd.DataFrame({"lost": lost, "day": day}).groupby([seen["inverter_id"], seen["round_id"]]).mean()
    month = np.asarray(blocks.dates[blocks.day].month)
    if blocks.model.site.latitude < 0:
        month = (month + 5) % 12 + 1
    season = np.where((month >= 4) & (month <= 10), 1.0, _OFF_SEASON)
    out = []
    for k, name in enumerate(blocks.model.inverter_ids):
        if name not in by_look.index.get_level_values(0) or not by_look.loc[name, "lost"].any():
            continue
        looks = by_look.loc[name].sort_values("day")
        days, depths = looks["day"].to_numpy(float), -np.log(1.0 - np.minimum(looks["lost"].to_numpy(float), 0.9))
        for cut in _cuts(blocks, events, name):
            standing = float(np.interp(cut, days, depths))
            at = np.searchsorted(days, cut)
            days, depths = np.insert(days, at, [cut, cut + 0.5]), np.insert(depths, at, [standing, _CUT_LEAVES * standing])
        depth = np.interp(blocks.day, days, depths)
        values = depth * season * blocks.beam_share[k]
        out.append(Column("shading", f"{name}, as rounds saw it", values, k, *_LOOKS, 0.0, 2.0, ("rounds", k)))
    return out


def _cuts(blocks: Blocks, events: pd.DataFrame, inverter: str) -> list[int]:
    """Local days, in order, on which vegetation was cut for this inverter or the whole site, by the record."""
    if events.empty:
        return []
    cut = events[events["kind"] == "vegetation_cut"]
    strings = {s.string_id for s in blocks.model.site.strings if s.inverter_id == inverter}
    return sorted(blocks.day_of(start) for start, scope in zip(cut["start"], cut["scope"], strict=True)
                  if {"site", inverter} & set(scope) or strings & set(scope))
