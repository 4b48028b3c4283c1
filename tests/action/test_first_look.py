"""A job in doubt waits for a look."""

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import COSTS, make_job, make_portfolio, make_site
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.remedies.first_look import first_look
from yieldwatch.action.remedies.look import Look

DAY = dt.date(2025, 4, 1)


def _cleaning(per_month, size):
    """Of a site of 40 modules: 316 with its visit."""
    return make_job(per_month, kind="clean", scope=("site",), cause="soiling", units={"module": 40.0, "visit": 1.0}, size=size)


def _offered(cleaning, costs=COSTS):
    outlook = SimpleNamespace(draws=np.zeros((len(cleaning.size), 1)))
    site = make_site(costs=costs)
    look = Look(site, None, None, pd.DataFrame(), outlook, None, np.random.default_rng(0), DAY)
    return first_look(look, cleaning, "wash two strings", cleaning.size, 0.007)


def _doubtful(share):
    """A layer of 6 % that returns 30 a month with a chance of `share`, and else a trace."""
    there = np.arange(200) < 200 * share
    return _cleaning(np.where(there, 30.0, 1.0), np.where(there, 0.06, 0.002))


def test_what_returns_on_few_farms_alone_is_looked_at_first():
    held, look = _offered(_doubtful(0.4))
    assert held.awaits_look
    assert (look.job_kind, look.cause, look.scope) == ("inspect", "soiling", ("site",))
    # In 40 of 100 cases 36 months of 30, less the 316 of the cleaning; two strings tell 6 % from a trace nearly always.
    assert look.gain_value.sum(axis=1).mean() == pytest.approx(0.4 * (36 * 30.0 - 316.0), rel=0.02)
    assert look.chance_of_work == pytest.approx(0.4, abs=0.02)
    assert f"With a chance of {100 * look.chance_of_work:.0f} % it is to follow" in look.why
    chosen, _ = rank_jobs(make_portfolio(make_site()), [held, look], DAY)
    # How likely the cleaning is to pay is stated once, with the cleaning.
    assert look.why.count(" % ") == 1
    assert chosen.set_index("job_kind")["chance_of_work"].notna().to_dict() == {"inspect": True, "clean": False}
    assert dict(zip(chosen["job_kind"], chosen["chosen"], strict=True)) == {"inspect": True, "clean": False}
    assert chosen.set_index("job_kind").loc["clean", "verdict"].startswith("Not before a look")


@pytest.mark.parametrize("crew_comes", [False, True])
def test_a_look_that_is_not_worth_a_visit_of_its_own_holds_nothing_back(crew_comes):
    # It saves the 316 in 40 of 100 cases: less than the 180 of a visit of its own, more than the 50 where its crew comes anyway.
    done, look = _offered(_doubtful(0.6))
    assert not done.awaits_look
    others = [make_job(20.0)] if crew_comes else []
    chosen, _ = rank_jobs(make_portfolio(make_site()), [done, look, *others], DAY)
    by_kind = chosen.set_index("job_kind")
    assert (by_kind.loc["inspect", "chosen"], by_kind.loc["clean", "chosen"]) == (crew_comes, not crew_comes)
    if crew_comes:
        assert by_kind.loc["clean", "verdict"].startswith('Not beside "wash two strings to see the dirt", chosen')


@pytest.mark.parametrize("share", [0.0, 0.05, 0.9])
def test_what_surely_pays_or_hardly_ever_does_needs_no_look(share):
    # At one in twenty it is worth 0.05 of 764, less than the 50 of a look by a crew that has come anyway.
    offered = _offered(_doubtful(share))
    assert [j.awaits_look for j in offered] == [False]


def test_a_look_without_a_price_holds_nothing_back():
    without = tuple(c for c in COSTS if c.job_kind != "inspect")
    assert [j.awaits_look for j in _offered(_doubtful(0.4), without)] == [False]


def test_a_draw_in_which_the_job_returns_next_to_nothing_now_costs_its_price_at_most_later():
    # Today's dirt is nil but for a rounding in most draws, and a start in a quarter returns something: no division blows it up.
    job = _doubtful(0.4)
    nearly = np.where(np.arange(200) < 80, 30.0, 1e-45)
    job = replace(job, gain_value=np.repeat(nearly[:, None], 36, axis=1), later=np.full((3, 200, 36), 0.5, dtype=np.float32))
    _, look = _offered(job)
    assert np.isfinite(look.later).all()
    assert look.later.sum(axis=2).min() >= -316.0
    assert look.gain_value.sum(axis=1).min() >= -316.0
