"""
What a cut of vegetation won back of the beam: the same sun positions before and after.

Shade acts while the sun stands behind the obstacle. Each inverter's loss is laid out over sun azimuth and elevation, before the
cut and after it apart, with a level of its own for each month, so that dirt, sensor and lost parts count neither way. What the
uncut plant would have taken at a position in which the sun stood only after the cut is known by bounds alone: no less than at a
higher sun, no more than at a lower one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.blocks import AZIMUTH_STEP

#: Height of a cell of sun positions. [°]
_RISE = 4.0
#: Length of the spells with a level of their own [days], and its standard deviation as a fraction. Common practice, no source.
_SPELL, _LEVEL_SD = 30, 0.05
#: Share of beam lost in a cell, before any reading: standard deviation. As in the inference.
_BEAM_SD = 0.3
#: How many neighbouring hours share their error, as in the inference.
_LASTING = 8.0
#: Least energy of a cell, over the mean of all, to count as seen. Common practice, no source.
_SEEN = 0.02
#: Doubt of the uncut plant's shade by its growth meanwhile, and where the leaves of the other half of the year were seen, as
#: fractions of it. Common practice, no source.
_GROWTH, _OTHER_SEASON = 0.1, 0.2
#: Loss of beam from which a position counts as shaded. Common practice, no source.
_SHADED = 0.1
#: Doubt of the beam's model between two seasons, as a share of it. Common practice, no source.
_BEAM_DOUBT = 0.01
#: Rows before and after without which nothing is told. Common practice, no source.
_FEWEST = 100


@dataclass(frozen=True, eq=False)
class CutGain:
    """
    What a cut won back of the beam over the days after it.

    Attributes
    ----------
    draws : ndarray, shape (n_draws,)
        Of the beam. [kWh]
    known : float
        Share of the energy at risk, by sun position, for which the uncut plant's shade was seen and not bounded.
    rows : ndarray of bool, shape (n_days,)
        Days that entered.
    back : int or None
        Day, counted as those of the history, on which the sun is next in a position that was shaded before and was hardly seen
        since; None where all were.
    """

    draws: np.ndarray
    known: float
    rows: np.ndarray
    back: int | None


def cut_gain(state: SiteState, treated: list[int], start: int, day: int, end: int, n_draws: int, seed: int = 0) -> CutGain | None:
    """
    Compare the same sun positions before and after a cut.

    Parameters
    ----------
    treated : list of int
        Inverters near the plant.
    start, day, end : int
        First day that counts, day of the cut, and day after the last.

    Returns
    -------
    CutGain or None
        None where no inverter has a picture of shade, or too few hours were logged on either side.
    """
    blocks = state.blocks
    before, after = ((blocks.day >= a) & (blocks.day < b) for a, b in ((start, day), (day + 1, end)))
    rng = np.random.default_rng(seed)
    # Where bounds are all that is known: nearer to the least, because an obstacle seldom darkens every string; alike for all.
    within = rng.random(n_draws) ** 2
    rest = without_shade(state)
    energy = blocks.expected * np.exp(-rest)
    total, seen_energy, at_risk = np.zeros(n_draws), 0.0, 0.0
    used: np.ndarray = np.zeros(len(blocks.dates), dtype=bool)
    back: list[int] = []
    for k in treated:
        picture = _picture(state, k, rest[k], before, after, within, rng) if state.shaded[k] else None
        if picture is None:
            continue
        was, now, known, rows = picture
        used[blocks.day[rows]] = True
        summer = _growing(state)
        other = summer != (float(np.average(summer[before], weights=energy[k, before])) > 0.5)
        doubt = 1.0 + _GROWTH * rng.standard_normal((n_draws, 1)) + _OTHER_SEASON * rng.standard_normal((n_draws, 1)) * other
        lost = np.clip(was * doubt, 0.0, 1.0)[:, after] - now[:, after]
        beam = energy[k, after] * blocks.beam_share[k, after]
        total += (lost * beam).sum(axis=1) + _BEAM_DOUBT * float(beam.sum()) * rng.standard_normal(n_draws)
        risk = beam * np.maximum(was.mean(axis=0)[after], _SHADED * ~known[after])
        seen_energy, at_risk = seen_energy + float((risk * known[after]).sum()), at_risk + float(risk.sum())
        back += _sun_back(state, was.mean(axis=0), rows, before, after, end)
    if not used.any():
        return None
    return CutGain(total, seen_energy / at_risk if at_risk > 0 else 1.0, used, min(back) if back else None)


def without_shade(state: SiteState) -> np.ndarray:
    """-ln of what all but shade leave, shape (n_inverters, n_blocks)."""
    shape = state.blocks.expected.shape
    others = sorted({c.cause for c in state.posterior.columns} - {"shading"})
    return np.asarray(sum((state.posterior.loss(c, *shape) for c in others), np.zeros(shape)))


def _growing(state: SiteState) -> np.ndarray:
    """Whether leaves are out, by block: April to October in the north."""
    month = np.asarray(state.blocks.dates[state.blocks.day].month)
    if state.model.site.latitude < 0:
        month = (month + 5) % 12 + 1
    return (month >= 4) & (month <= 10)


def _picture(state: SiteState, k: int, rest: np.ndarray, before: np.ndarray, after: np.ndarray, within: np.ndarray,
             rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray] | None:
    """
    Share of beam lost by an inverter at each block's sun position, uncut and cut, shape (n_draws, n_blocks) each; which positions
    were seen before; and the blocks that entered.
    """
    blocks, n_draws = state.blocks, len(within)
    usable = np.isfinite(state.ratio[k]) & (state.weight[k] > 0)
    if min((usable & before).sum(), (usable & after).sum()) < _FEWEST:
        return None
    azimuth = np.floor(blocks.azimuth / AZIMUTH_STEP).astype(int)
    rise = np.floor(np.clip(blocks.elevation, 0.0, None) / _RISE).astype(int)
    shape = (azimuth.max() + 1, rise.max() + 1)
    cell = azimuth * shape[1] + rise
    out: list[np.ndarray] = []
    known: list[np.ndarray] = []
    for side in (before, after):
        here = np.flatnonzero(usable & side)
        sizes, seen = _cells(1.0 - np.exp(state.ratio[k, here] + rest[here]), blocks.beam_share[k, here], state.weight[k, here],
                             cell[here], blocks.day[here] // _SPELL, shape[0] * shape[1], n_draws, rng)
        low, high = _bounded(sizes.reshape(n_draws, *shape), seen.reshape(shape))
        out.append((low + (high - low) * within[:, None, None]).reshape(n_draws, -1)[:, cell])
        known.append((high - low).mean(axis=0).reshape(-1)[cell] < _SHADED)
    # A position in which the sun was too seldom since is no darker than it was.
    now = np.where(known[1], out[1], np.minimum(*out))
    return out[0], now, known[0], np.flatnonzero(usable & (before | after))


def _cells(loss: np.ndarray, beam: np.ndarray, weight: np.ndarray, cell: np.ndarray, spell: np.ndarray, n_cells: int,
           n_draws: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """
    Draws of the share of beam lost in each cell, shape (n_draws, n_cells), and which were seen.

    loss = level of the spell + beam x share lost in the cell + noise; least squares with Gaussian priors, reweighted once.
    """
    cells, of = np.unique(cell, return_inverse=True)
    spells, when = np.unique(spell, return_inverse=True)
    n, m = len(cells), len(spells)
    design = np.zeros((len(loss), n + m))
    design[np.arange(len(loss)), of] = beam
    design[np.arange(len(loss)), n + when] = 1.0
    relative = weight / np.median(weight)
    relative = 2.0 / (1.0 + 1.0 / np.maximum(relative, 1e-3))
    prior = np.r_[np.full(n, _BEAM_SD), np.full(m, _LEVEL_SD)] ** -2.0
    noise, robust = 0.05, np.ones(len(loss))
    for _ in range(4):
        w = relative * robust / (noise**2 * _LASTING)
        precision = (design.T * w) @ design + np.diag(prior)
        at = linalg.solve(precision, design.T @ (w * loss), assume_a="pos")
        left = (loss - design @ at) * np.sqrt(relative)
        noise = max(1.4826 * float(np.median(np.abs(left))), 1e-3)
        robust = 5.0 / (4.0 + (left / noise) ** 2)
    root = linalg.cholesky(precision, lower=False)
    draws = at[:, None] + linalg.solve_triangular(root, rng.standard_normal((n + m, n_draws)))
    energy = np.bincount(of, weights=weight * beam)
    full, seen = np.zeros((n_draws, n_cells)), np.zeros(n_cells, dtype=bool)
    full[:, cells] = draws[:n].T
    seen[cells] = energy > _SEEN * energy.mean()
    return full, seen


def _bounded(sizes: np.ndarray, seen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Least and most of the share lost in every cell, shape (n_draws, n_azimuths, n_rises): falling as the sun rises, 0 to 1.

    Where both are the same the cell was seen.
    """
    value = np.clip(sizes, 0.0, 1.0)
    # Of a falling run: the mean of what the cells above and those below allow.
    from_above = np.maximum.accumulate(np.where(seen, value, 0.0)[..., ::-1], axis=-1)[..., ::-1]
    from_below = np.minimum.accumulate(np.where(seen, value, 1.0), axis=-1)
    middle = 0.5 * (from_above + from_below)
    # Elsewhere the next cell that was seen above and the next below.
    low = np.maximum.accumulate(np.where(seen, middle, 0.0)[..., ::-1], axis=-1)[..., ::-1]
    high = np.minimum.accumulate(np.where(seen, middle, 1.0), axis=-1)
    return low, np.maximum(low, high)


def _sun_back(state: SiteState, was: np.ndarray, rows: np.ndarray, before: np.ndarray, after: np.ndarray, end: int) -> list[int]:
    """
    Day on which the sun is next in a position that was shaded before and that few days have seen since; empty where none is left.

    The sun stands on a day as it stood a year before.
    """
    blocks = state.blocks
    cell = np.floor(blocks.azimuth / AZIMUTH_STEP) * 100 + np.floor(blocks.elevation / _RISE)
    used = np.zeros(blocks.n, dtype=bool)
    used[rows] = True
    dark = np.unique(cell[before & used & (was > _SHADED)])
    since = [c for c in dark if len(np.unique(blocks.day[after & used & (cell == c)])) < 3]
    if not len(dark) or len(since) <= 0.25 * len(dark):
        return []
    days = np.unique(blocks.day[np.isin(cell, since)])
    ahead = days + 365 * np.ceil((end - days) / 365.0).astype(int)
    return [int(ahead.min())]
