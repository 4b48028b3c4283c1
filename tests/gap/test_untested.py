"""What strings that nobody tested may have lost."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

from yieldwatch.gap.infer import Rows, solve
from yieldwatch.gap.mechanisms.base import Column, Rare
from yieldwatch.gap.mechanisms.untested import untested_columns


def blocks(*inverter_of: str) -> SimpleNamespace:
    strings = [SimpleNamespace(string_id=f"S{k}", inverter_id=name, p_mp_w=1000.0) for k, name in enumerate(inverter_of)]
    model = SimpleNamespace(inverter_ids=["INV1", "INV2"], site=SimpleNamespace(strings=strings))
    return SimpleNamespace(model=model, n=5, year_fraction=np.arange(5) / 4.0)


def findings(**found: str) -> pd.DataFrame:
    return pd.DataFrame({"string_id": list(found), "finding": list(found.values())}, columns=["string_id", "finding"])


def test_each_inverter_has_the_share_of_its_strings_that_nobody_tested():
    farm = blocks("INV1", "INV1", "INV2", "INV2")

    (column,) = untested_columns(farm, findings(S0="ok", S1="not_tested", S2="open", S3="ok"), logged=True)

    np.testing.assert_allclose(column.values, np.repeat([[0.5], [0.0]], 5, axis=1))


def test_where_all_strings_were_tested_nothing_is_held_against_them():
    assert untested_columns(blocks("INV1", "INV2"), findings(S0="ok", S1="open"), logged=False) == []


def test_without_a_log_strings_may_fail_through_the_record_as_well():
    before, since = untested_columns(blocks("INV1", "INV2"), findings(), logged=False)

    np.testing.assert_allclose(before.values, 1.0)
    np.testing.assert_allclose(since.values[0], [0.0, 0.25, 0.5, 0.75, 1.0])


@pytest.mark.parametrize("chance", [0.25, 0.4])
def test_two_rare_things_that_look_alike_share_what_is_lacking_and_neither_is_told_surely(chance):
    # Only their sum is read, 6 % to 0.2 %: either may be all of it, and no draw has it twice.
    dirt = Column("soiling", "layer", np.zeros(1), None, 0.0, 0.025, rare=Rare("layer", chance), trace=0.001)
    strings = Column("string_fault", "untested", np.zeros(1), None, 0.0, 0.025, rare=Rare("untested", 0.4), trace=0.001)
    rows = Rows("sum", sparse.csr_matrix(np.ones((1, 2))), np.array([-0.06]), np.ones(1), 0.002, 1.0)

    draws = solve([dirt, strings], [rows], 400, np.random.default_rng(2)).draws

    assert draws.sum(axis=1) == pytest.approx(0.06, abs=0.012)
    low, high = np.quantile(draws, (0.05, 0.95), axis=0)
    assert (low < 0.012).all()
    assert (high > 0.045).all()
