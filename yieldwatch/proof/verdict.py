"""
The verdict on a job that was done, in a word and in a sentence, and the table of all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from yieldwatch.proof.result import Proof

#: What can be said of a job that was done.
VERDICTS = {
    "paid_back": "won back more money than it cost, the low end of the interval too",
    "on_its_way": "worked, and what it is to return within the horizon exceeds its cost",
    "worked": "worked; whether it pays cannot be told",
    "too_dear": "worked, but what it is to return within the horizon stays below its cost",
    "no_effect": "nothing won back, or far less than promised",
    "not_told": "cannot be told yet",
}
#: Causes that come back within about a year of the work, so that no second year's gain is owed to it.
_COMES_BACK = ("soiling", "shading")
#: Days beyond which waiting for a verdict is no advice. Common practice, no source.
_LONGEST_WAIT = 730
#: Days with the sun in shaded positions that show what a cut did. Common practice, no source.
_DAYS_IN_SHADE = 14
#: Standard deviations at either end of a 90 % interval.
_HALF_90 = 1.645
COLUMNS = (
    "site_id", "job", "job_ref", "job_kind", "cause", "scope", "done_on", "contractor", "measured_from", "measured_to", "methods",
    "peers", "before_days", "after_days", "gain_kwh", "gain_low_kwh", "gain_high_kwh", "promised_kwh", "gain", "gain_low",
    "gain_high", "gain_kwh_per_year", "gain_low_kwh_per_year", "gain_high_kwh_per_year", "gain_per_year", "cost", "chance",
    "verdict", "days_more", "words",
)


@dataclass(frozen=True)
class Verdict:
    """A word of `VERDICTS`, the sentence, and the days still needed: NaN where told already or where more days would not tell."""

    word: str
    words: str
    days_more: float = float("nan")


def proof_table(proofs: Sequence[Proof], horizon_months: int, currency: str) -> pd.DataFrame:
    """
    One row a job that was done.

    Parameters
    ----------
    proofs : sequence of Proof
    horizon_months : int
        Over which what stays mended is to pay back.
    currency : str
        The portfolio's.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`; bounds of 90 %. [kWh, money] Missing where nothing tells.
    """
    return pd.DataFrame([_row(p, horizon_months, currency) for p in proofs], columns=list(COLUMNS))


def _row(proof: Proof, horizon_months: int, currency: str) -> dict[str, object]:
    job, (mean, low, high) = proof.job, _bounds(proof)
    year, price = proof.year_share, proof.price
    found = judge(proof, horizon_months, currency)
    return {
        "site_id": job.site_id, "job": job.name, "job_ref": job.ref, "job_kind": job.job_kind, "cause": job.cause,
        "scope": " ".join(job.scope), "done_on": job.done_on, "contractor": job.contractor,
        "measured_from": proof.first, "measured_to": proof.last, "methods": " ".join(proof.methods),
        "peers": " ".join(proof.peers), "before_days": proof.before_days, "after_days": proof.after_days,
        "gain_kwh": mean, "gain_low_kwh": low, "gain_high_kwh": high, "promised_kwh": proof.promised_kwh,
        "gain": mean * price, "gain_low": low * price, "gain_high": high * price,
        "gain_kwh_per_year": mean * year, "gain_low_kwh_per_year": low * year, "gain_high_kwh_per_year": high * year,
        "gain_per_year": mean * year * price, "cost": np.nan if job.cost is None else job.cost,
        "chance": float((proof.gain_kwh > 0).mean()) if len(proof.gain_kwh) else np.nan,
        "verdict": found.word, "days_more": found.days_more, "words": found.words,
    }


def _bounds(proof: Proof) -> tuple[float, float, float]:
    """Mean and 90 % interval of the gain over the days measured. [kWh]"""
    if not len(proof.gain_kwh):
        return np.nan, np.nan, np.nan
    low, high = np.quantile(proof.gain_kwh, [0.05, 0.95])
    return float(proof.gain_kwh.mean()), float(low), float(high)


def judge(proof: Proof, horizon_months: int, currency: str) -> Verdict:
    """
    Return the verdict on one job.

    Notes
    -----
    A job worked if the whole interval lies above nil. It had no effect if the interval reaches down to nil and ends below what
    was promised for the same days, or below nil. Else it cannot be told yet.
    """
    mean, low, high = _bounds(proof)
    doubts = "".join(f" {d}" for d in proof.doubts)
    if not np.isfinite(mean):
        return Verdict("not_told", f"Cannot be told.{doubts}")
    days = (proof.last - proof.first).days + 1
    figures = f"{mean:,.0f} kWh ({low:,.0f} to {high:,.0f}) over the {days} days after the work, against {_against(proof)}"
    promised = f"; promised for these days: {proof.promised_kwh:,.0f} kWh" if np.isfinite(proof.promised_kwh) else ""
    if low > 0:
        word, money = _money(proof, horizon_months, currency, mean, low, high)
        return Verdict(word, f"Worked: won back {figures}{promised}. {money}{doubts}")
    if high <= 0 or high < proof.promised_kwh:
        return Verdict("no_effect", f"No effect shown: {figures}{promised}. The loss may be there still: look at it.{doubts}")
    more = days_more(proof)
    if proof.sun_back is not None:
        wait = f"About {more:,.0f} more days are needed."
    elif np.isfinite(more):
        wait = f"About {more:,.0f} more days are needed at this noise, if the effect is what it looks like."
    elif proof.closed:
        wait = "The days that count are over: a year after the work, or up to the next work on the same parts."
    else:
        wait = "More days of the same readings would not tell."
    yet = " yet" if np.isfinite(more) else ""
    return Verdict("not_told", f"Cannot be told{yet}: {figures}{promised}. {wait}{doubts}", more)


def _against(proof: Proof) -> str:
    said = {
        "peers": f"untouched peers ({len(proof.peers)} inverter{'s' if len(proof.peers) != 1 else ''})",
        "model": "what the model expects in the weather that came",
        "meter": "what the model expects at the meter in the weather that came",
        "sun": "the same sun positions before the cut",
        "readings": "untouched strings in the rounds before and after",
    }
    return " and ".join(said[m] for m in proof.methods)


def _money(proof: Proof, horizon_months: int, currency: str, mean: float, low: float, high: float) -> tuple[str, str]:
    """The verdict on a job that worked, and the sentence about its money."""
    cost, price, year = proof.job.cost, proof.price, proof.year_share
    if cost is None or not np.isfinite(price):
        return "worked", "Its cost is not known." if cost is None else "No price is known for these days."
    won = f"{currency} {mean * price:,.0f} ({low * price:,.0f} to {high * price:,.0f})"
    so_far = f"That is {won} so far; it cost {currency} {cost:,.0f}."
    if low * price >= cost:
        return "paid_back", f"{so_far} Paid back."
    if not np.isfinite(year):
        return "worked", f"{so_far} The history is too short to carry it to a year."
    years = 1.0 if proof.job.cause in _COMES_BACK else max(horizon_months / 12.0, 1.0)
    ahead = [x * price * year * years for x in (low, mean, high)]
    span = "the year after the work" if years == 1.0 else f"{years:g} years"
    text = f"{so_far} Over {span} it comes to {currency} {ahead[1]:,.0f} ({ahead[0]:,.0f} to {ahead[2]:,.0f})."
    if ahead[0] >= cost:
        return "on_its_way", f"{text} On its way to paying back."
    if ahead[2] < cost:
        return "too_dear", f"{text} It does not pay at this cost."
    return "worked", f"{text} Whether it pays cannot be told{'' if proof.closed else ' yet'}."


def days_more(proof: Proof) -> float:
    """
    Days still to be measured for the interval to leave nil, if the effect is as it looks or as promised, whichever is more.

    With noise of one day s, days b before and a after, a mean difference has the variance s² (1/b + 1/a). More days after do not
    mend too few before. Of a cut: until the sun has been back in the shaded positions for a while. NaN where no more days would
    tell or count, or more than two years of them. [days]
    """
    if proof.closed:
        return float("nan")
    if proof.sun_back is not None:
        # Then the days that are still to be seen come at once.
        return float((proof.sun_back - proof.last).days + _DAYS_IN_SHADE)
    if not proof.before_days or not proof.after_days or {"readings", "sun"} & set(proof.methods):
        return float("nan")
    mean, sd = float(proof.gain_kwh.mean()), float(proof.gain_kwh.std())
    aim = max(abs(mean), proof.promised_kwh if np.isfinite(proof.promised_kwh) else 0.0)
    if not aim > 0 or not sd > 0:
        return float("nan")
    before, after = 1.0 / proof.before_days, 1.0 / proof.after_days
    wanted = (aim / (_HALF_90 * sd)) ** 2 * (before + after) - before
    if wanted <= 0:
        return float("nan")
    more = float(np.ceil(1.0 / wanted - proof.after_days))
    return more if 0 < more <= _LONGEST_WAIT else float("nan")
