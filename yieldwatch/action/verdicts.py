"""
Why a job is or is not to be done, with the figure that would change it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from yieldwatch.cost.amounts import money


@dataclass(frozen=True)
class Case:
    """
    What speaks for and against one job.

    Attributes
    ----------
    currency : str
    horizon_months : int
    cost, gain_per_year : float
        [money]
    worth : float
        Present value of what it is expected to return over the horizon. [money]
    gain_kwh_per_year : float
        [kWh]
    chance : float
        Of paying back within the horizon, 0 to 1.
    confidence : float
        That the loss is there, 0 to 1.
    chosen, safety : bool
    unpriced : str
        Why it has no cost; empty where it has one.
    short_of : str
        What of budget or crew time it lacks; empty where it lacks nothing.
    instead_of : str
        The chosen job that mends the same loss; empty where there is none.
    awaits_look : bool
        Held back until a look has shown that it pays.
    is_look : bool
        An inspection, which is judged by the decision that it betters.
    once : bool
        A claim, which is paid once.
    mends : bool
        False for a look or a claim, before which no cheaper test comes.
    gain_interval, worth_interval : tuple of float
        90 % intervals of `gain_per_year` and `worth`: they are stated no finer than these allow. [money]
    """

    currency: str
    horizon_months: int
    cost: float
    gain_per_year: float
    worth: float
    gain_kwh_per_year: float
    chance: float
    confidence: float
    chosen: bool
    safety: bool
    unpriced: str
    short_of: str
    instead_of: str
    awaits_look: bool = False
    is_look: bool = False
    once: bool = False
    mends: bool = True
    gain_interval: tuple[float, float] = (math.nan, math.nan)
    worth_interval: tuple[float, float] = (math.nan, math.nan)

    def money(self, amount: float, interval: tuple[float, float] = (math.nan, math.nan)) -> str:
        return money(amount, self.currency, *interval)

    @property
    def yearly(self) -> str:
        """What it returns in the first year."""
        return self.money(self.gain_per_year, self.gain_interval)

    @property
    def whole(self) -> str:
        """What it returns over the horizon."""
        return self.money(self.worth, self.worth_interval)


def verdict(case: Case) -> str:
    """
    One or two sentences that an owner can act on.

    Parameters
    ----------
    case : Case

    Returns
    -------
    str
    """
    if case.safety:
        cost = f" {case.unpriced}" if case.unpriced else ""
        return "Do first: it must be made safe whatever it returns." + cost
    if case.unpriced:
        return f"Not ranked: {case.unpriced}"
    if case.worth != case.worth:
        return (
            "Not ranked: what it returns has no price. Complete the [[tariffs]] or the prices of the site to "
            "have it ranked."
        )
    if case.is_look and (case.chosen or not (case.instead_of or case.short_of)):
        return _of_look(case)
    if case.chosen:
        returns = f"brings in {case.yearly} once" if case.once else f"returns {case.yearly} in the first year"
        return (
            f"Do: {returns} for {case.money(case.cost)}; "
            f"{_in_hundred(case.chance)} chance of paying back within {case.horizon_months} months{_all_the_same(case)}."
        )
    if case.awaits_look:
        return (
            f"Not before a look, a job of its own: returns {case.yearly} in the first year for "
            f"{case.money(case.cost)}, with {_in_hundred(case.chance)} chance of paying back within {case.horizon_months} months."
        )
    if case.instead_of:
        if case.short_of:
            return f"{_missed(case)} It would take the place of {case.instead_of}."
        return f"Not beside {case.instead_of}, chosen for the same loss; in its place it would return less."
    if case.short_of:
        return _missed(case)
    return _not_worth(case)


def _of_look(case: Case) -> str:
    """A look returns nothing by itself: what counts is how much better the decision after it is."""
    said = f"what it may lead to is worth {case.whole} in the mean, once that is paid"
    if case.chosen:
        return (f"Do: {said}, against {case.money(case.cost)} for the look. It is judged by the decision that it betters, not by "
                "a payback.")
    return f"Not worth doing: {said}, less than the {case.money(case.cost)} that the look costs."


def _missed(case: Case) -> str:
    looks = f"what it may lead to is worth {case.whole} in the mean,"
    what = looks if case.is_look else f"returns {case.yearly} in the first year"
    return f"Worth doing, but missed the {case.short_of}: {what} for {case.money(case.cost)}."


def _not_worth(case: Case) -> str:
    returns = (
        f"returns {case.yearly} in the first year and {case.whole} in "
        f"{case.horizon_months} months against {case.money(case.cost)}"
    )
    if case.worth <= 0:
        return f"Not worth doing: {returns}. No price or lower cost would change that."
    if case.worth > case.cost:  # only where the search for the set was cut off
        return f"Worth doing, but left out: {returns}. The chosen jobs return more within the same limits."
    factor = case.cost / case.worth
    price = case.gain_per_year / case.gain_kwh_per_year if case.gain_kwh_per_year > 0 else 0.0
    at_price = f"at a price of {case.currency} {price * factor:.3g} per kWh, " if price > 0 else ""
    return (
        f"Not worth doing: {returns}. It would be {at_price}if the loss won back were "
        f"{case.gain_kwh_per_year * factor:,.0f} kWh a year and not {case.gain_kwh_per_year:,.0f}, or at a "
        f"cost below {case.whole}."
    )


def _all_the_same(case: Case) -> str:
    """What to say of a job that is done though it is more likely than not to lose money."""
    if case.chance >= 0.5:
        return ""
    said = ", and worth it in the mean: where it does pay, it returns more than it loses where not"
    if not case.mends:
        return said
    return f"{said}. The loss is there with {_in_hundred(case.confidence)} confidence; a cheap test first may spare the cost"


def _in_hundred(share: float) -> str:
    """A share in per cent; a few hundred draws cannot make anything certain."""
    if share > 0.99:
        return "over 99 %"
    # A half goes up, as in tables.
    return "under 1 %" if share < 0.01 else f"{math.floor(round(100 * share, 6) + 0.5)} %"
