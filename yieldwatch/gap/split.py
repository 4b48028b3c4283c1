"""
The exact split: each cause's mean effect over all orders of switching causes on, through the whole chain.

Where no limit is near, causes multiply, and the mean over all orders has a closed form: with v(S) the product
of the factors of S, the share of cause c is (1 - f_c) times the integral over u from 0 to 1 of the product
over the others of 1 - u (1 - f_j) (Owen's multilinear extension, Management Science 18 (1972) P64), a
polynomial that a few Gauss-Legendre nodes integrate exactly. Where a rating, a cap or the export limit may
bind, the subsets are run through the chain.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial

import numpy as np

from yieldwatch.expected.power import SiteModel

_NONE = 1e-9


@dataclass(frozen=True, eq=False)
class Effect:
    """
    What one cause does to the chain where it is on; None for no effect of that kind.

    Attributes
    ----------
    cause : str
    dc_factor, ac_factor : ndarray, shape (n_inverters, n_times), or None
        What it leaves of the DC power, and of the AC power.
    cap : ndarray, same shape, or None
        AC power it allows an inverter. [kW]
    site_cap : ndarray, shape (n_times,), or None
        Power at the meter it allows the site. [kW]
    """

    cause: str
    dc_factor: np.ndarray | None = None
    ac_factor: np.ndarray | None = None
    cap: np.ndarray | None = None
    site_cap: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class Split:
    """
    Energy by cause, inverter and interval.

    Attributes
    ----------
    energy : dict of str to ndarray, shape (n_inverters, n_times)
        [kWh]; over causes it adds up to `expected` - `state`.
    expected, state : ndarray, shape (n_inverters, n_times)
        With nothing wrong, and with all causes on. [kWh]
    clipped : ndarray, shape (n_times,)
        What ratings and the export limit took from `expected`. [kWh]
    """

    energy: dict[str, np.ndarray]
    expected: np.ndarray
    state: np.ndarray
    clipped: np.ndarray


def output_with(model: SiteModel, effects: list[Effect], where: np.ndarray | slice = slice(None)) -> np.ndarray:
    """Run the chain with these causes on. [kWh], shape (n_inverters, n_times)"""
    shape = model.dc[:, where].shape
    dc, ac = np.ones(shape), np.ones(shape)
    cap, site_cap = np.full(shape, np.inf), np.full(shape[1], np.inf)
    for effect in effects:
        if effect.dc_factor is not None:
            dc = dc * effect.dc_factor[:, where]
        if effect.ac_factor is not None:
            ac = ac * effect.ac_factor[:, where]
        if effect.cap is not None:
            cap = np.minimum(cap, effect.cap[:, where])
        if effect.site_cap is not None:
            site_cap = np.minimum(site_cap, effect.site_cap[where])
    return model.output(dc, ac, cap, site_cap, where)


def split_by_cause(model: SiteModel, effects: list[Effect]) -> Split:
    """
    Split expected less state among causes.

    Parameters
    ----------
    model : SiteModel
    effects : list of Effect
        One for each cause that did anything.

    Returns
    -------
    Split
    """
    expected, state = model.output(), output_with(model, effects)
    unlimited = model.unlimited()
    clipped = (unlimited - expected).sum(axis=0)
    bound = (unlimited > expected * (1.0 + 1e-9) + _NONE).any(axis=0)
    for effect in effects:
        if effect.cap is not None:
            bound |= np.isfinite(effect.cap).any(axis=0)
        if effect.site_cap is not None:
            bound |= np.isfinite(effect.site_cap)
        if any(f is not None and (f > 1.0).any() for f in (effect.dc_factor, effect.ac_factor)):
            bound |= True
    energy = {effect.cause: np.zeros_like(expected) for effect in effects}
    free = np.flatnonzero(~bound)
    _split_products(effects, expected[:, free] - state[:, free], free, energy)
    _split_subsets(model, effects, np.flatnonzero(bound), energy)
    return Split(energy, expected, state, clipped)


def _split_products(effects: list[Effect], gap: np.ndarray, where: np.ndarray, energy: dict[str, np.ndarray]) -> None:
    factors = []
    for effect in effects:
        factor = np.ones(gap.shape)
        for part in (effect.dc_factor, effect.ac_factor):
            if part is not None:
                factor = factor * part[:, where]
        factors.append(factor)
    nodes, weights = np.polynomial.legendre.leggauss(max(1, (len(effects) + 1) // 2))
    shares = [np.zeros(gap.shape) for _ in effects]
    for u, weight in zip((nodes + 1.0) / 2.0, weights / 2.0, strict=True):
        kept = [1.0 - u * (1.0 - f) for f in factors]
        whole = np.prod(kept, axis=0) if kept else np.ones(gap.shape)
        for share, factor, one in zip(shares, factors, kept, strict=True):
            share += weight * (1.0 - factor) * whole / one
    total = np.sum(shares, axis=0) if shares else np.zeros(gap.shape)
    # The inverter's curve bends a little, so the product is exact in DC and not quite in AC: scaled to the
    # chain's own gap.
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = np.where(np.abs(total) > 1e-12, gap / total, 0.0)
    for effect, share in zip(effects, shares, strict=True):
        energy[effect.cause][:, where] = share * scale


def _split_subsets(model: SiteModel, effects: list[Effect], where: np.ndarray, energy: dict[str, np.ndarray]) -> None:
    """Shapley shares by running every subset, on the intervals and for the causes that act there."""
    if not len(where) or not effects:
        return
    acting = np.stack([_acts(effect, where) for effect in effects])
    code = (acting * (1 << np.arange(len(effects)))[:, None]).sum(axis=0)
    for pattern in np.unique(code):
        here = where[code == pattern]
        active = [e for number, e in enumerate(effects) if pattern >> number & 1]
        for start in range(0, len(here), 20_000):
            _shapley(model, active, here[start : start + 20_000], energy)


def _shapley(model: SiteModel, active: list[Effect], where: np.ndarray, energy: dict[str, np.ndarray]) -> None:
    n = len(active)
    order = [factorial(k) * factorial(n - k - 1) / factorial(n) for k in range(n)]
    for subset in range(1 << n):
        value = output_with(model, [e for k, e in enumerate(active) if subset >> k & 1], where)
        size = subset.bit_count()
        for k, effect in enumerate(active):
            coefficient = -order[size - 1] if subset >> k & 1 else order[size]
            energy[effect.cause][:, where] += coefficient * value


def _acts(effect: Effect, where: np.ndarray) -> np.ndarray:
    on = np.zeros(len(where), dtype=bool)
    for part in (effect.dc_factor, effect.ac_factor):
        if part is not None:
            # Turned round, so that an unknown factor counts as acting.
            on |= ~(np.abs(part[:, where] - 1.0) <= _NONE).all(axis=0)
    if effect.cap is not None:
        on |= np.isfinite(effect.cap[:, where]).any(axis=0)
    if effect.site_cap is not None:
        on |= np.isfinite(effect.site_cap[where])
    return on
