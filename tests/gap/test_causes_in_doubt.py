"""Losses of strings that may have another cause: shared between the causes by the chance of each."""

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import MODULE, make_site
from tests.farm.plain import plain
from tests.farm.settings import PortfolioSpec
from tests.farm.spec import Block, Instruments, Soiling, StringFault
from tests.farm.write import write_portfolio
from yieldwatch.assess import assess
from yieldwatch.gap.causes_in_doubt import told_by_chance
from yieldwatch.gap.infer import Posterior
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.fault import Fault, ReadSince
from yieldwatch.gap.mechanisms.string_fault import find_faults
from yieldwatch.gap.mechanisms.unnamed import part_of, strings_and_inputs
from yieldwatch.gap.split import Split
from yieldwatch.gap.steps import Step
from yieldwatch.portfolio.model import String


def test_each_interval_moves_a_faults_part_by_its_chance_and_still_adds_up():
    # One inverter, two blocks: a fault of 4 %, dirt with a chance of 0.75, and from the second block one of 12 % that is none.
    first, second = (Fault("string_fault", 0, (name,), "current_low", start, 2, share, 0.01, False, on_glass=chance)
                     for name, start, share, chance in (("S1", -1, 0.04, 0.75), ("S2", 1, 0.12, 0.0)))
    columns = [Column("string_fault", f.kind, np.array([1.0 if f.start < 0 else 0.0, 1.0]), 0, f.share, 0.01, tag=("fault", f))
               for f in (first, second)]
    posterior = Posterior(columns, np.array([0.04, 0.12]), np.zeros((1, 2)), {}, 0.0)
    blocks = SimpleNamespace(expected=np.ones((1, 2)), of=np.array([0, 0, 1]))
    state = SimpleNamespace(posterior=posterior, blocks=blocks, faults=[first, second])
    taken = {"string_fault": np.array([[4.0, 8.0, 16.0]]), "soiling": np.array([[1.0, 1.0, 1.0]])}
    told = told_by_chance(state, Split(taken, np.full((1, 3), 100.0), np.full((1, 3), 80.0), np.zeros(3))).energy
    # All of the first block's is the first fault's; of the second's a quarter.
    assert told["string_fault"][0] == pytest.approx([1.0, 2.0, 16.0 - 0.75 * 4.0])
    assert told["soiling"][0] == pytest.approx([4.0, 7.0, 4.0])


@pytest.mark.parametrize(("lost", "traced", "doubtful", "read"), [
    (0.125, 0, (), ReadSince(0, 0)),  # one of eight strings
    (0.070, 0, (), ReadSince(0, 0)),  # a part of one, or an input that gives half
    (0.045, 4, (), ReadSince(4, 4)),  # and half of the strings were found sound since
    (0.070, 8, (), None),
    (0.125, 7, ("in shade by 55 %",), ReadSince(7, 6)),  # of which one may be faulty
    (0.125, 7, ("dead then", "in shade by 55 %"), ReadSince(6, 5)),  # or was, and is mended
])
def test_a_step_that_no_round_explains_is_a_strings_or_an_inputs(lost, traced, doubtful, read):
    strings = tuple(String(f"S{k}", "I1", "A", MODULE, 20) for k in range(1, 9))
    site = make_site().__class__(**{**vars(make_site()), "strings": strings})
    known = [s.string_id for s in strings[:traced]]
    found = pd.DataFrame({"string_id": [s.string_id for s in strings], "finding": "ok", "share_lost": 0.0, "confidence": 0.01,
                          "last_seen_good": pd.NaT})
    found.loc[traced:, ["finding", "confidence"]] = "not_tested", np.nan
    rounds = pd.DataFrame({"time": pd.Timestamp("2024-06-01", tz="UTC"), "string_id": known, "grade": "good", "p_mp_plate": 0.97})
    for k, kind in enumerate(doubtful):
        if kind == "dead then":
            rounds.loc[k, "p_mp_plate"] = 0.0
        else:
            found.loc[k, ["finding", "confidence"]] = "shaded", 0.45
    dates = pd.date_range("2024-01-01", periods=300)
    blocks = SimpleNamespace(dates=dates, model=SimpleNamespace(inverter_ids=["I1"], site=site), washing=np.zeros(300),
                             day_of=lambda t: int((t.tz_localize(None).normalize() - dates[0]).days))
    step = Step(0, 100, -np.log(1.0 - lost), 0.002)
    (fault,) = find_faults(blocks, site, found, rounds, [step], [], [])
    if read is None:
        assert (fault.cause, fault.instead) == ("inverter_efficiency", {})
    else:
        by_input = part_of(lost, step.noise, 1.0, 8, strings_and_inputs(site, "I1")[1], read).input_rather
        assert (fault.cause, fault.read) == ("string_fault", read)
        assert fault.instead == pytest.approx({"inverter_efficiency": by_input})


def _answer(folder, *mechanisms):
    start, end = dt.date(2022, 9, 1), dt.date(2023, 9, 1)
    fit = Instruments(log_minutes=60, light_bias=0.0, light_drift_year=0.0, gaps_per_year=0.0, stuck_per_year=0.0,
                      repeats_per_year=0.0, iv_rounds=(dt.date(2022, 9, 20), dt.date(2023, 7, 20)), iv_light_bias=0.005,
                      iv_bad_light=0.0, iv_partial=True)
    blocks = tuple(Block(f"INV{k}", "I", "A", "M", 2, 2, 20) for k in (1, 2, 3))
    spec = replace(plain(*mechanisms), start=start, end=end, blocks=blocks, instruments=fit)
    write_portfolio(folder, folder / "truth", PortfolioSpec("P", (spec,)))
    answer = assess(folder)
    truth = pd.read_csv(folder / "truth" / "losses.csv").groupby("cause")["energy_kwh"].sum()
    truth = truth.reindex(["soiling", "string_fault"], fill_value=0.0)
    columns = ["energy_kwh", "energy_low_kwh", "energy_high_kwh"]
    return answer, answer.sites[0].losses.groupby("cause")[columns].sum(), truth


@pytest.mark.parametrize("cause", ["soiling", "string_fault"])
def test_account_and_work_list_agree_on_what_may_be_dirt_whichever_it_is(tmp_path, cause):
    clean = Soiling(0.0, persistent_pct_year=0.0, start_pct=0.0, start_persistent_pct=0.0)
    lies = replace(clean, droppings=(("INV1.1.1", 6.0),))
    weak = StringFault("INV1.1.1", "current_low", dt.date(2020, 1, 1), 0.5, part=0.06)
    answer, told, truth = _answer(tmp_path, *((lies,) if cause == "soiling" else (clean, weak)))
    both = ["soiling", "string_fault"]
    # 6 % of one string of twelve; the log's own gains differ by a third of that.
    assert told.loc[both, "energy_kwh"].sum() == pytest.approx(truth[both].sum(), rel=0.5)
    assert told.loc["string_fault", "energy_low_kwh"] <= truth["string_fault"] <= told.loc["string_fault", "energy_high_kwh"]
    assert told.loc["soiling", "energy_high_kwh"] >= truth["soiling"]
    found = answer.sites[0].gap.string_findings.set_index("string_id").loc["INV1.1.1"]
    mend = answer.work_list.query("scope == 'INV1.1.1' and job_kind in ('repair_string', 'replace_modules')").iloc[0]
    assert 0.5 < found["on_glass"] < 0.99
    assert mend["confidence"] == pytest.approx(found["confidence"] * (1.0 - found["on_glass"]), abs=0.01)
    evidence = {e.cause: e.pattern for e in answer.sites[0].gap.evidence}
    assert "may lie on the glass: INV1.1.1" in evidence["string_fault"]
    assert "counts here by its chance to be dirt" in evidence["soiling"]
