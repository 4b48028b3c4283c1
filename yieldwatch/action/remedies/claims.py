"""
What someone else owes beyond the doubt of the figures, as jobs with their clock: collect the evidence, ask in writing, in time.
"""

from __future__ import annotations

import datetime as dt

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.remedies.look import Look
from yieldwatch.action.starts import START_DAYS

#: Month after the claim in which it is paid, counted from 0. Common practice, no source.
_PAID_IN = 3
#: Chance that a claim is granted: of damages that the contract reckons from the farm's own figures, and of a power warranty, of
#: which a field trace is a screen and the laboratory's reading is to come. Common practice, no source.
DAMAGES_GRANTED, WARRANTY_GRANTED = 0.8, 0.5
_GRANTED = {"maintenance_contractor": DAMAGES_GRANTED, "module_maker": WARRANTY_GRANTED}
#: The loss that each ground is about. A ratio falls short for no one cause; and each ground has its own, for what the book takes
#: for one job has one payer.
CAUSE = {"availability": "inverter_outage", "performance_ratio": "unexplained", "power_warranty": "degradation"}
_HALF_90 = 1.645


def claims(look: Look) -> list[Candidate]:
    """
    A claim for each sum that is owed beyond doubt and whose clock still runs.

    Of several contract years of one guarantee the claim is one job, because it is one letter.
    """
    found: dict[tuple[str, str, str], list[dict[str, object]]] = {}
    for row in look.owed:
        payer, ground = str(row["payer"]), str(row["ground"])
        beyond = row["state"] == "claim" or (ground == "power_warranty" and row["state"] == "watch")
        in_time = row["deadline"] and dt.date.fromisoformat(str(row["deadline"])) >= look.today
        if payer in _GRANTED and beyond and in_time and float(str(row["amount"])) > 0.0:
            found.setdefault((payer, ground, str(row["subject"])), []).append(row)
    return [_claim(look, *key, rows) for key, rows in found.items()]


def _claim(look: Look, payer: str, ground: str, subject: str, rows: list[dict[str, object]]) -> Candidate:
    months, n_draws = look.outlook.months, look.n_draws
    end = min(dt.date.fromisoformat(str(r["deadline"])) for r in rows)
    owed = np.zeros(n_draws)
    for r in rows:
        middle, low, high = (float(str(r[name])) for name in ("amount", "amount_low", "amount_high"))
        owed += np.clip(look.rng.normal(middle, (high - low) / (2.0 * _HALF_90), n_draws), low, high)
    value: np.ndarray = np.zeros((n_draws, months))
    value[:, min(_PAID_IN, months - 1)] = owed * look.is_there(_GRANTED[payer])
    in_time = (end - look.today).days >= START_DAYS
    who = {"maintenance_contractor": "The maintenance contractor", "module_maker": "The module maker"}[payer]
    why = (f"{who} owes by {ground.replace('_', ' ')}: {' '.join(str(r['reason']) for r in rows)} Claim by {end}; "
           "claims.csv names what to send.")
    return Candidate(
        look.site.id, "claim", CAUSE[ground], tuple(subject.split()), {"visit": 1.0}, np.zeros_like(value), value,
        _GRANTED[payer], why, "Paid once; after the deadline it is lost.",
        left=np.repeat(in_time[:, None].astype(float), months, axis=1), deadline=end)
