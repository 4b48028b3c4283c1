"""What is nobody's loss: the level's unknowns take what the light and the models do."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import KIND, site_of
from yieldwatch.gap.infer import design_matrix, log_rows, solve
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.level import (
    BIAS_SD_MEASURED,
    BIAS_SD_MODELLED,
    LIGHT_BIAS,
    PLATE,
    level_columns,
    spell_columns,
)

DAYS, HOURS = 200, 8


def site(rng: np.random.Generator) -> tuple[SimpleNamespace, np.ndarray]:
    """One inverter, hours of dim and bright days, and their light. [W/m²]"""
    light = np.outer(rng.uniform(0.15, 1.0, DAYS), [60, 200, 450, 800, 850, 600, 300, 80]).ravel()
    n = DAYS * HOURS
    day = np.repeat(np.arange(DAYS), HOURS)
    blocks = SimpleNamespace(
        n=n, of=np.arange(n), day=day, year_fraction=day / 365.25, day_of_year=day + 1.0,
        dates=pd.date_range("2022-01-01", periods=DAYS),
        azimuth=np.tile(np.linspace(95.0, 265.0, HOURS), DAYS), elevation=np.full(n, 30.0),
        groups=np.zeros(1, int), expected=light[None, :] / 100.0, beam_share=rng.uniform(0.0, 0.9, (1, n)),
        model=SimpleNamespace(
            inverter_ids=["INV1"], site=site_of(10), weather=SimpleNamespace(table=pd.DataFrame(columns=["poa_global"]))),
    )
    return blocks, light


def test_a_constant_offset_of_the_light_is_told_as_one_and_leaves_the_level_alone():
    rng = np.random.default_rng(8)
    blocks, light = site(rng)
    # The sensor reads 2 W/m² too much at all times: expected energy is too high by 2 % at 100 W/m² and by 0.25 % at 800.
    ratio = np.log((light - 2.0) / light)[None, :] + rng.normal(0.0, 0.004, (1, len(light)))
    columns = level_columns(blocks, False)
    rows = log_rows(blocks, design_matrix(columns, 1, blocks.n), ratio, blocks.expected, np.ones((1, blocks.n)))

    posterior = solve(columns, rows, 50, rng)

    loss = {c.name: c.values * v for c, v in zip(columns, posterior.estimate, strict=True)}
    dim, bright = np.abs(light - 40.0) < 5.0, light > 700.0
    offset = loss["light offset"]
    missing = 2.0 / light
    assert offset[dim].mean() - offset[bright].mean() == pytest.approx(missing[dim].mean() - missing[bright].mean(), rel=0.2)
    # What it takes of all energy, 2 W/m² of the light's mean by energy, is bias: age and dirt are left alone.
    whole = (loss[LIGHT_BIAS] + loss[PLATE]).mean()
    assert whole == pytest.approx(2.0 * light.sum() / (light**2).sum(), abs=0.003)


@pytest.mark.parametrize(("of", "told"), [("poa_global", 0.008), ("ghi", 0.013)])
def test_light_of_the_sky_that_is_off_is_told_as_that_and_leaves_the_level_alone(of, told):
    rng = np.random.default_rng(9)
    blocks, light = site(rng)
    blocks.model.weather.table = pd.DataFrame(columns=[of])
    # The light that does not come from the sun itself reads 1.5 % too high: more than in the plane it may.
    off = 0.015 * (1.0 - blocks.beam_share)
    columns = level_columns(blocks, False)
    rows = log_rows(blocks, design_matrix(columns, 1, blocks.n), rng.normal(0.0, 0.004, (1, len(light))) - off, blocks.expected,
                    np.ones((1, blocks.n)))

    posterior = solve(columns, rows, 50, rng)

    found = {c.name: v for c, v in zip(columns, posterior.estimate, strict=True)}
    assert found["light of the sky"] > told
    assert found[LIGHT_BIAS] + found[PLATE] == pytest.approx(np.average(off, weights=blocks.expected), abs=0.002)


@pytest.mark.parametrize(("minus", "plus", "usual"), [(0.0, 5.0, 0.005), (0.0, 0.6, 0.003), (3.0, 3.0, 0.0), (5.0, 0.0, -0.005)])
def test_new_modules_are_taken_to_have_the_middle_of_their_tolerance_and_half_a_bin_at_most(minus, plus, usual):
    blocks, _ = site(np.random.default_rng(1))
    kind = replace(KIND, tolerance_minus_pct=minus, tolerance_plus_pct=plus)
    farm = blocks.model.site
    blocks.model.site = replace(farm, strings=tuple(replace(s, module_type=kind) for s in farm.strings))
    (plate,) = [c for c in level_columns(blocks, False) if c.name == PLATE]
    assert -plate.mean == pytest.approx(usual)


@pytest.mark.parametrize(("light", "said", "doubt"), [
    (("poa_global",), None, BIAS_SD_MEASURED),
    (("ghi",), None, BIAS_SD_MEASURED),
    (("ghi", "dni", "dhi"), None, BIAS_SD_MODELLED),
    (("ghi", "dni", "dhi", "poa_global"), None, BIAS_SD_MEASURED),
    (("ghi", "dni", "dhi"), "sensor", BIAS_SD_MEASURED),
    (("poa_global",), "service", BIAS_SD_MODELLED),
])
def test_light_of_a_service_is_in_more_doubt_than_a_sensor_whatever_is_logged(light, said, doubt):
    blocks, _ = site(np.random.default_rng(1))
    blocks.model.weather = SimpleNamespace(table=pd.DataFrame(columns=list(light)))
    blocks.model.site = replace(blocks.model.site, light_from=said)
    (bias,) = [c for c in level_columns(blocks, False) if c.name == LIGHT_BIAS]
    assert bias.sd == pytest.approx(doubt)


def test_weeks_of_a_service_s_wrong_light_are_no_dirt():
    rng = np.random.default_rng(3)
    blocks, light = site(rng)
    # Six dry weeks in which the service finds up to 4 % too much, and rain at their end: the very shape of dirt that rain washes.
    off = np.interp(blocks.day, [60, 75, 88, 102], [0.0, -0.04, -0.04, 0.0], 0.0, 0.0)
    ratio = off[None, :] + rng.normal(0.0, 0.02, (1, len(light)))
    dust = Column("soiling", "rate", np.clip(blocks.day - 60.0, 0.0, 42.0) * (blocks.day < 102), None, 0.0, 0.0015, 0.0)

    def told(*more: Column) -> tuple[float, float]:
        columns = [*level_columns(blocks, False), dust, *more]
        rows = log_rows(blocks, design_matrix(columns, 1, blocks.n), ratio, blocks.expected, np.ones((1, blocks.n)))
        posterior = solve(columns, rows, 400, rng)
        at = columns.index(dust)
        return posterior.estimate[at], posterior.draws[:, at].std()

    without, sure = told()
    rate, doubt = told(*spell_columns(blocks))
    assert without > 3.0 * sure, "the scenario: taken for dust, and surely"
    assert rate < 1.645 * doubt, "nil is within the interval"
    assert rate < 0.6 * without


def test_the_spells_of_a_service_s_light_hold_every_day_once():
    blocks, _ = site(np.random.default_rng(1))
    assert sum(c.values for c in spell_columns(blocks)) == pytest.approx(np.ones(blocks.n))
