"""Work side by side in processes of their own: what comes of it is what one process makes, and nothing fails unheard."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from functools import partial
from pathlib import Path

import pandas as pd
import pytest

from tests.farm.plain import plain
from tests.farm.settings import PortfolioSpec
from tests.farm.write import write_portfolio
from yieldwatch.assess import assess
from yieldwatch.errors import FieldDataError, YieldwatchError
from yieldwatch.processes import Progress, side_by_side


def squared(number: int, say: Progress) -> tuple[int, int]:
    say(f"squaring {number}")
    return number**2, os.getpid()


def refused(folder: Path, number: int, say: Progress) -> int:
    """Refuses 2; leaves a file for each that was begun."""
    (folder / str(number)).touch()
    if number == 2:
        raise FieldDataError(["2: first problem", "2: second problem"])
    time.sleep(0.1)
    return number


def ended_from_outside(number: int, say: Progress) -> int:
    os._exit(9)


@pytest.mark.parametrize("processes", [1, 2])
def test_things_come_back_in_order_and_all_words_are_heard(processes):
    heard: list[str] = []
    made = side_by_side(squared, [3, 1, 2], processes, heard.append)
    assert [square for square, _ in made] == [9, 1, 4]
    assert sorted(heard) == ["squaring 1", "squaring 2", "squaring 3"]
    assert ({pid for _, pid in made} == {os.getpid()}) == (processes == 1)


@pytest.mark.parametrize("processes", [1, 2])
def test_what_a_thing_is_refused_for_comes_whole_and_the_rest_is_left(tmp_path, processes):
    with pytest.raises(FieldDataError) as told:
        side_by_side(partial(refused, tmp_path), [1, 2, *range(3, 200)], processes, lambda words: None)
    assert told.value.problems == ["2: first problem", "2: second problem"]
    assert len(list(tmp_path.iterdir())) < 100


def test_a_process_that_is_ended_from_outside_is_said_with_what_to_do():
    with pytest.raises(YieldwatchError, match="--processes 1"):
        side_by_side(ended_from_outside, [1, 2], 2, lambda words: None)


def test_a_portfolio_is_assessed_the_same_in_one_process_and_in_two(tmp_path):
    farms = [replace(plain(days=40), id=name) for name in ("alder", "birch")]
    write_portfolio(tmp_path, tmp_path / "truth", PortfolioSpec("P", tuple(farms)))
    one, two = (assess(tmp_path, processes=n) for n in (1, 2))
    assert [s.site.id for s in two.sites] == ["alder", "birch"]
    assert two.notices == one.notices
    pd.testing.assert_frame_equal(two.work_list, one.work_list)
    for a, b in zip(one.sites, two.sites, strict=True):
        pd.testing.assert_frame_equal(b.losses, a.losses)
        pd.testing.assert_frame_equal(b.gap.yields, a.gap.yields)
