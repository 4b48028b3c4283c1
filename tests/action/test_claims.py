"""Claims as jobs: only what is owed beyond doubt, while its clock runs, for what the contract gives."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import make_portfolio
from tests.action.test_who_pays import GAP, claims, promise, rounds
from tests.cost.farm_year import farm
from yieldwatch.action.asked import Asked
from yieldwatch.action.due import due_dates
from yieldwatch.action.ranking import exclusive_pairs
from yieldwatch.action.remedies.claims import DAMAGES_GRANTED, WARRANTY_GRANTED
from yieldwatch.action.remedies.claims import claims as raised
from yieldwatch.action.remedies.look import Look
from yieldwatch.action.starts import START_DAYS
from yieldwatch.action.who_pays import owed
from yieldwatch.portfolio.model import JobCost

TODAY = dt.date(2025, 1, 1)
MODULES = {"replace_modules": JobCost("replace_modules", 0, 150.0, "module", 0, 0, 0)}


def jobs(site, traces=None, today=TODAY, asked=()):
    rows = owed(site, GAP, pd.DataFrame() if traces is None else traces, today, asked)
    outlook = SimpleNamespace(draws=np.zeros((4000, 1)), months=36)
    return raised(Look(site, None, None, pd.DataFrame(), outlook, None, np.random.default_rng(1), today, rows))


def test_a_guarantee_missed_beyond_doubt_is_a_job_worth_its_damages_with_its_clock():
    site = replace(farm(), guarantees=(promise(value=99.5),))
    job, = jobs(site)
    # 98.98 % of 99.5 % at 1000 a point: 520, of the contract year that ended; its term of 30 days is what is left.
    assert job.gain_value.sum(axis=1).mean() == pytest.approx(DAMAGES_GRANTED * 520, rel=0.04)
    assert job.gain_kwh.sum() == 0.0
    assert (job.job_kind, job.scope, job.deadline) == ("claim", ("site",), dt.date(2025, 1, 31))
    assert "Claim by 2025-01-31; claims.csv names what to send." in job.why
    assert due_dates(site, job, TODAY, 60.0) == (TODAY, dt.date(2025, 1, 31))
    # After 30 days nothing is left of it.
    assert job.left.all(axis=1).tolist() == [day <= 30 for day in START_DAYS]


@pytest.mark.parametrize(("value", "today"), [
    (98.99, TODAY),  # within the doubt: 98.8 to 99.2
    (98.5, TODAY),  # kept
    (99.5, dt.date(2024, 12, 1)),  # the year runs, and the one before is past its term
    (99.5, dt.date(2025, 3, 1)),  # past its term
])
def test_what_is_in_doubt_kept_or_past_its_term_raises_no_claim(value, today):
    assert jobs(replace(farm(), guarantees=(promise(value=value),)), today=today) == []


def test_strings_below_their_warranty_beyond_the_trace_are_claimed_where_modules_have_a_price():
    job, = jobs(replace(farm(), job_costs=MODULES), rounds(S0=0.85, S1=0.91))
    # 95.8 % warranted less 85 % of 5000 W, at 150 for a module of 500 W.
    assert job.gain_value.sum(axis=1).mean() == pytest.approx(WARRANTY_GRANTED * (0.958 - 0.85) * 5000 * 150 / 500, rel=0.06)
    assert job.scope == ("S0",)
    assert "claims.csv names what to send" in job.why
    assert jobs(farm(), rounds(S0=0.85)) == []


@pytest.mark.parametrize(("scope", "payer", "traces"), [
    ("site", "maintenance_contractor", None), ("S0", "module_maker", {"S0": 0.85})])
def test_the_claims_job_stands_with_its_payer(scope, payer, traces):
    listed = pd.DataFrame([{"site_id": "moor", "job_id": "J", "job_kind": "claim", "scope": scope, "due_from": "2025-01-01",
                            "due_to": "2025-01-31", "cost": 90.0, "gain_per_year": 316.0, "gain_low_per_year": 0.0,
                            "gain_high_per_year": 989.0}])
    found = claims(replace(farm(), job_costs=MODULES), jobs=listed, rounds=rounds(**traces) if traces else None)
    row = found[found["subject"] == "J"].iloc[0]
    assert (row["payer"], row["state"], row["deadline"]) == (payer, "claim", "2025-01-31")
    # What it asks for, and not what the letter costs.
    assert (row["amount"], row["amount_low"], row["amount_high"]) == (316.0, 0.0, 989.0)


def test_a_claim_stands_beside_the_work_on_the_same_loss():
    claim, = jobs(replace(farm(), guarantees=(promise(value=99.5),)))
    claim = replace(claim, site_id=make_portfolio().sites[0].id)
    repair = replace(claim, job_kind="inspect")
    worth = np.array([100.0, 100.0])
    assert exclusive_pairs(make_portfolio(), [claim, repair], worth) == []
    assert exclusive_pairs(make_portfolio(), [repair, repair], worth) == [(0, 1)]


@pytest.mark.parametrize(("day", "state"), [
    (dt.date(2024, 12, 31), "claim"),  # before the contract year had ended: of an earlier one
    (dt.date(2025, 1, 10), "asked"),
    (dt.date(2025, 1, 21), "claim"),  # after the day of the assessment
])
def test_what_a_letter_has_asked_for_is_not_claimed_again(day, state):
    today = dt.date(2025, 1, 20)
    site, letter = replace(farm(), guarantees=(promise(value=99.5),)), Asked("inverter_outage", frozenset({"site"}), day)
    rows = [r for r in owed(site, GAP, pd.DataFrame(), today, [letter]) if r["period_from"] == "2024-01-01"]
    assert [r["state"] for r in rows] == [state]
    assert ("Asked for on 2025-01-10." in rows[0]["reason"]) == (state == "asked")
    assert len(jobs(site, today=today, asked=[letter])) == (state == "claim")
    # The year before, whose term had passed, is in no letter of this year; nor is the guarantee of another kind.
    before = next(r for r in owed(site, GAP, pd.DataFrame(), today, [letter]) if r["period_from"] == "2023-01-01")
    assert before["state"] == "claim"
    assert len(jobs(site, today=today, asked=[replace(letter, cause="degradation")])) == 1


def test_strings_that_were_claimed_are_claimed_again_only_by_a_later_trace():
    site = replace(farm(), job_costs=MODULES)
    for day, left in ((dt.date(2024, 7, 1), 0), (dt.date(2024, 5, 1), 1)):  # traced on 1 June 2024
        assert len(jobs(site, rounds(S0=0.85), asked=[Asked("degradation", frozenset({"S0"}), day)])) == left
    assert len(jobs(site, rounds(S0=0.85, S1=0.80), asked=[Asked("degradation", frozenset({"S0"}), dt.date(2024, 7, 1))])) == 1


def test_each_ground_of_a_claim_is_a_job_of_its_own_in_the_book():
    both = (promise(value=99.5), promise("performance_ratio", 400.0))
    found = jobs(replace(farm(), guarantees=both, job_costs=MODULES), rounds(S0=0.85))
    assert len({job.cause for job in found}) == len(found) == 3
