"""The choice of jobs against published knapsacks and against trying every set."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from yieldwatch.action import solver
from yieldwatch.action.choice import Jobs, best_set, set_total

ROOT = Path(__file__).parents[2]


def knapsack(weights, profits):
    """A knapsack as a choice: each item its own visit, its profit what it returns beyond its weight."""
    w, p, nil = np.array(weights, float), np.array(profits, float), np.zeros(len(weights))
    return Jobs(
        value=w + p, cost_units=w, cost_per_visit=nil, hours_units=nil, hours_per_visit=nil,
        visit=np.arange(len(w)), must=nil.astype(bool),
    )


# J. Burkardt, KNAPSACK_01 data set (people.sc.fsu.edu/~jburkardt); P03 to P06 from memory.
P01 = (
    165, [23, 31, 29, 44, 53, 38, 63, 85, 89, 82], [92, 57, 49, 68, 60, 43, 67, 84, 87, 72],
    309, "1111010000",
)
P02 = (26, [12, 7, 11, 8, 9], [24, 13, 23, 15, 16], 51, "01110")
P03 = (190, [56, 59, 80, 64, 75, 17], [50, 50, 64, 46, 50, 5], 150, "110010")
P04 = (50, [31, 10, 20, 19, 4, 3, 6], [70, 20, 39, 37, 7, 5, 10], 107, "1001000")
P05 = (104, [25, 35, 45, 5, 25, 3, 2, 2], [350, 400, 450, 20, 70, 8, 5, 5], 900, "10111011")
P06 = (170, [41, 50, 49, 59, 55, 57, 60], [442, 525, 511, 593, 546, 564, 617], 1735, "0101001")
P07 = (
    750,
    [70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120],
    [135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240],
    1458, "101010111000011",
)
P08 = (
    6404180,
    [382745, 799601, 909247, 729069, 467902, 44328, 34610, 698150, 823460, 903959, 853665, 551830, 610856,
     670702, 488960, 951111, 323046, 446298, 931161, 31385, 496951, 264724, 224916, 169684],
    [825594, 1677009, 1676628, 1523970, 943972, 97426, 69666, 1296457, 1679693, 1902996, 1844992, 1049289,
     1252836, 1319836, 953277, 2067538, 675367, 853655, 1826027, 65731, 901489, 577243, 466257, 369261],
    13549094, "110111000110100100000111",
)


@pytest.mark.sourced
@pytest.mark.parametrize("case", [P01, P02, P03, P04, P05, P06, P07, P08], ids=lambda c: f"capacity {c[0]}")
def test_published_knapsacks_are_solved_exactly(case):
    capacity, weights, profits, best, items = case
    chosen, proven = best_set(knapsack(weights, profits), budget=capacity)
    assert proven
    assert np.array(profits)[chosen].sum() == best
    assert "".join("1" if c else "0" for c in chosen) == items


def random_jobs(seed, n=9):
    rng = np.random.default_rng(seed)
    value = rng.uniform(0, 500, n)
    must = rng.random(n) < 0.2
    must[[0, 2]] = False  # so that no two jobs that must be done exclude each other
    return Jobs(
        value=value, cost_units=rng.uniform(20, 300, n),
        cost_per_visit=rng.uniform(50, 250, n), hours_units=rng.uniform(1, 8, n),
        hours_per_visit=rng.uniform(1, 4, n), visit=rng.integers(0, 3, n), must=must,
        exclusive=[(0, 1), (2, 5)] if not seed % 2 else [],
    )


def every_set(jobs, budget, hours):
    """The best value by trying every set."""
    best, spent = -np.inf, set_total(jobs.cost_units, jobs.cost_per_visit, jobs.visit, jobs.must)
    time = set_total(jobs.hours_units, jobs.hours_per_visit, jobs.visit, jobs.must)
    for picks in itertools.product([False, True], repeat=len(jobs.value)):
        x = np.array(picks)
        cost = set_total(jobs.cost_units, jobs.cost_per_visit, jobs.visit, x)
        if (jobs.must & ~x).any() or cost > max(budget, spent) + 1e-9:
            continue
        if set_total(jobs.hours_units, jobs.hours_per_visit, jobs.visit, x) > max(hours, time) + 1e-9:
            continue
        if any(x[a] and x[b] for a, b in jobs.exclusive):
            continue
        best = max(best, jobs.value[x].sum() - cost)
    return best


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("budget", "hours"), [(np.inf, np.inf), (700.0, np.inf), (900.0, 18.0)])
def test_no_other_set_is_worth_more(seed, budget, hours):
    jobs = random_jobs(seed)
    chosen, proven = best_set(jobs, budget, hours)
    got = jobs.value[chosen].sum() - set_total(jobs.cost_units, jobs.cost_per_visit, jobs.visit, chosen)
    assert proven
    # The solver's own feasibility tolerance, 1e-6, in money.
    assert got == pytest.approx(every_set(jobs, budget, hours), abs=1e-4)


def many_jobs(seed):
    """Jobs of 80 visits, three each."""
    rng, n = np.random.default_rng(seed), 240
    return Jobs(value=rng.gamma(2.0, 400.0, n), cost_units=rng.uniform(20, 300, n), cost_per_visit=rng.uniform(100, 300, n),
                hours_units=rng.uniform(0.5, 4, n), hours_per_visit=rng.uniform(1, 3, n), visit=np.arange(n) // 3,
                must=np.zeros(n, dtype=bool))


def test_the_solver_prints_no_line_of_its_own():
    # In a process of its own, because what C code prints comes out when that ends. Left to itself it prints in both.
    lines = ["from tests.action.test_choice import many_jobs", "from yieldwatch.action.choice import best_set", "print('before')",
             "for seed in (36, 55): best_set(many_jobs(seed), 15_000.0, 200.0)", "print('after')"]
    done = subprocess.run([sys.executable, "-c", "\n".join(lines)], cwd=ROOT, capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("before\nafter\n", "")


def test_what_others_print_while_the_solver_runs_comes_out(monkeypatch, capfd):
    def chatty(*_, **__):
        os.write(1, b"HighsMipSolverData::mended\n1 site\n")
        return "found"

    monkeypatch.setattr(solver, "milp", chatty)
    assert solver.solved() == "found"
    assert capfd.readouterr().out == "1 site\n"


def test_no_jobs_is_an_empty_set():
    nil = np.zeros(0)
    chosen, proven = best_set(Jobs(nil, nil, nil, nil, nil, nil, nil.astype(int), nil.astype(bool)))
    assert len(chosen) == 0
    assert proven
