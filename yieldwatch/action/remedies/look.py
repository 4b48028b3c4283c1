"""
What every remedy looks at, and how it turns energy into a candidate job.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.outlook import Gain, Outlook
from yieldwatch.action.starts import left_after
from yieldwatch.cost.outlook import value_of_energy
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.portfolio.model import Site

#: What a year's weather, and a job's success, add to the doubt of a gain. Relative, standard. Common
#: practice, no source.
_USUAL_DOUBT = 0.12


@dataclass(frozen=True, eq=False)
class Look:
    """
    One site on the as-of date.

    Attributes
    ----------
    site : Site
    data : SiteData
    state : SiteState
    findings : DataFrame
        One row a string, from `yieldwatch.gap.findings.string_findings`.
    outlook : Outlook
        The energy to come.
    prices : DataFrame
        From `yieldwatch.cost.outlook.price_outlook`.
    rng : Generator
    today : date
        The as-of date.
    owed : sequence of dict
        What others owe, from `who_pays.owed`.
    clamps : DataFrame or None
        From `yieldwatch.gap.clamps.check_clamps`.
    currency : str
    notices : list of str
        To which a remedy adds what it had to assume.
    """

    site: Site
    data: SiteData
    state: SiteState
    findings: pd.DataFrame
    outlook: Outlook
    prices: pd.DataFrame
    rng: np.random.Generator
    today: dt.date
    owed: Sequence[dict[str, object]] = ()
    clamps: pd.DataFrame | None = None
    currency: str = ""
    notices: list[str] = field(default_factory=list)

    @property
    def names(self) -> list[str]:
        return self.state.model.inverter_ids

    @property
    def n_draws(self) -> int:
        return len(self.outlook.draws)

    def is_there(self, confidence: float) -> np.ndarray:
        """One or nil by draw: whether a loss of this confidence is there."""
        return (self.rng.random(self.n_draws) < confidence).astype(float)

    def doubt(self, relative: float) -> np.ndarray:
        """Factors by draw with a mean of one, for doubt that the posterior does not hold."""
        return self.rng.lognormal(-0.5 * relative**2, relative, self.n_draws)

    def job(self, kind: str, cause: str, scope: tuple[str, ...], parts: list[tuple[Gain, np.ndarray]],
            confidence: float, why: str, comes_back: str, units: dict[str, float] | None = None,
            season: tuple[str, str] | None = None, later: tuple[Gain, np.ndarray] | None = None,
            size: np.ndarray | None = None) -> Candidate:
        """
        A candidate priced by when its energy comes.

        Parameters
        ----------
        parts : list of (Gain, ndarray of shape (n_draws,) or (n_draws, n_months))
            What the job returns, and in each draw how many times that. The parts add up.
        units : dict, optional
            In place of those counted from the scope.
        season : tuple of str, optional
            "MM-DD" borders of the time to do it.
        later : (Gain, ndarray of shape (n_starts, n_draws, n_months)), optional
            For a loss that comes back: when its energy comes, and how much of it for each of `starts.START_DAYS`. [kWh]
        size : ndarray, shape (n_draws,), optional
            As in `Candidate`.
        """
        usual = self.doubt(_USUAL_DOUBT)
        shape = (self.n_draws, self.outlook.months)
        kwh, value = np.zeros(shape), np.zeros(shape)
        for gain, sizes in parts:
            energy = sizes.reshape(self.n_draws, -1) * usual[:, None] * gain.kwh
            kwh += energy
            value += energy * self._worth(gain)
        first, last = season or (None, None)
        return Candidate(
            self.site.id, kind, cause, scope, scope_units(self.site, scope) | (units or {}), kwh, value,
            float(np.clip(confidence, 0.0, 1.0)), why, comes_back, best_from=first, best_to=last,
            later=None if later is None else (later[1] * usual[:, None] * self._worth(later[0])).astype(np.float32),
            left=left_after(self.outlook.day_month, self.outlook.day_share), size=size)

    def safety(self, cause: str, scope: tuple[str, ...], confidence: float, why: str) -> Candidate:
        """An inspection that must be made whatever it returns; by itself it returns nothing."""
        nothing = np.zeros((self.n_draws, self.outlook.months))
        return Candidate(
            self.site.id, "inspect", cause, scope, scope_units(self.site, scope), nothing, nothing, confidence,
            why, "An inspection mends nothing; what it finds is a job of its own.", safety=True)

    def _worth(self, gain: Gain) -> np.ndarray:
        """Value of a kWh of the gain in each month, nil in months without gain. [money/kWh]"""
        # The profile holds daylight only; at night nothing is gained, which is known and not missing.
        whole = self.state.model.weather.table.index
        profile = gain.profile.groupby(level=0).sum()
        profile = profile.reindex(whole[whole >= profile.index[0]], fill_value=0.0)
        worth = value_of_energy(self.site, self.prices, profile).to_numpy(float)[: len(gain.kwh)]
        return np.where(gain.kwh == 0.0, 0.0, worth)


def scope_units(site: Site, scope: tuple[str, ...]) -> dict[str, float]:
    """How many of each cost unit a scope holds; hectares and metres only where the site states them."""
    whole = "site" in scope
    inside = [s for s in site.strings if whole or s.string_id in scope or s.inverter_id in scope]
    inverters = {s.inverter_id for s in inside} | ({i.inverter_id for i in site.inverters} & set(scope))
    units = {
        "visit": 1.0,
        "string": float(len(inside)),
        "module": float(sum(s.modules_in_series for s in inside)),
        "inverter": float(len(site.inverters) if whole else len(inverters)),
    }
    if whole and site.area_hectare is not None:
        units["hectare"] = site.area_hectare
    if whole and site.hedge_metres is not None:
        units["metre"] = site.hedge_metres
    return units


def relative(draws: np.ndarray) -> np.ndarray:
    """Draws over their mean; ones where all are nil."""
    mean = float(draws.mean())
    return draws / mean if mean > 0 else np.ones(len(draws))


def seen_in(finding: dict[Any, Any]) -> str:
    """What a string's finding rests on, in words: its last trace, or its logged current alone."""
    last = finding["last_round"]
    return "seen in its logged current, never traced" if pd.isna(last) else f"last traced {last}"


def percent(loss: float) -> str:
    """A loss given as -ln of what it leaves, in words."""
    return f"{-100.0 * np.expm1(-loss):.1f} %"
