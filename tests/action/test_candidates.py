"""Jobs from causes: what they return, and what they say."""

import datetime as dt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.action.build import AS_OF, MODULE, make_portfolio, make_site
from yieldwatch.action.candidates import candidates
from yieldwatch.action.ranking import rank_jobs
from yieldwatch.action.remedies.danger import hot_connectors, over_voltage
from yieldwatch.action.remedies.inverters import _began, wet_mornings
from yieldwatch.action.remedies.look import Look, scope_units
from yieldwatch.action.remedies.strings import _modules
from yieldwatch.portfolio.model import Assumption, String

#: AC wiring 0.5 % and transformer 0.8 % stand between the inverters and the meter.
TO_METER = 0.995 * 0.992


@pytest.fixture(scope="module")
def jobs(broken):
    return candidates(*broken)[0]


def _one(jobs, kind):
    found = [j for j in jobs if j.job_kind == kind]
    assert len(found) == 1, [(j.job_kind, j.scope) for j in jobs]
    return found[0]


def _logged(inferred, name):
    log = inferred.data.power
    return log.loc[log["inverter_id"] == name, "ac_power_kw"].to_numpy()


def test_an_open_string_returns_its_share_of_the_coming_year(broken, jobs):
    job = _one(jobs, "repair_string")
    # INV3 has four such strings and nothing wrong: a string gives a quarter of what its log held in the year.
    string = _logged(broken, "INV3").sum() * TO_METER / 4
    assert job.scope == ("INV1.1.1",)
    # 200 draws of 12 % usual doubt leave 0.9 % on the mean; the fault's size is known to about 1 %.
    assert job.gain_kwh[:, :12].sum(axis=1).mean() == pytest.approx(string, rel=0.03)
    assert job.units["string"] == 1
    assert job.confidence > 0.99
    assert "gave no current" in job.why


def test_a_limit_left_on_returns_what_its_peer_made_above_it(broken, jobs):
    job = _one(jobs, "fix_settings")
    # Half of 40 kW; by hand from INV3's hourly log of the same strings.
    above = np.maximum(_logged(broken, "INV3") - 20.0, 0.0).sum() * TO_METER
    assert job.scope == ("INV2",)
    assert job.gain_kwh[:, :12].sum(axis=1).mean() == pytest.approx(above, rel=0.06)
    assert "20 kW" in job.why


def test_money_is_energy_at_the_contract_s_price(jobs):
    job = _one(jobs, "repair_string")
    # The plain farm's one tariff: fixed, 0.08 a kWh.
    assert job.gain_value.sum() == pytest.approx(0.08 * job.gain_kwh.sum(), rel=1e-9)


def test_gains_cover_the_horizon_and_can_be_ranked(broken, jobs):
    assert {j.gain_kwh.shape for j in jobs} == {(200, 36)}
    table, _ = rank_jobs(broken.portfolio, jobs, broken.as_of)
    # 9 MWh at 0.08 against a visit of 190 and 85 for the string; a washing day for less than it costs.
    chosen = table.set_index("job_kind")["chosen"]
    assert chosen["repair_string"]
    assert chosen["fix_settings"]
    assert not chosen["clean"]


def test_ageing_has_no_job(jobs):
    assert {j.cause for j in jobs} <= {"soiling", "string_fault", "curtailment"}


def test_a_cleaning_in_a_dry_summer_is_worth_most_before_the_rain(dusty):
    job = _one(candidates(*dusty)[0], "clean")
    month = job.gain_kwh.mean(axis=0)
    log = dusty.data.power.set_index("time")["ac_power_kw"]
    july = log[(log.index >= "2023-07-01") & (log.index < "2023-08-01")].sum() * TO_METER
    # 0.15 % a dry day since the rains of spring: some 3 to 9 % of July at its start, and rain takes of it all month.
    assert 0.01 * july < month[0] < 0.09 * july
    assert month[0] > 1.3 * month[1] > 1.3 * month[2]
    # Summer's dust is gone with autumn's rain: what is left then is the doubt of a layer that rain leaves.
    assert month[4:12].sum() < month[:4].sum()
    assert job.scope == ("site",)
    assert job.units["module"] == 4 * 4 * 20
    assert "Rain would have halved" in job.comes_back


def _look(site, findings=None, lowest=-3.0, n_days=1000) -> Look:
    outlook = SimpleNamespace(draws=np.zeros((5, 1)), months=12)
    state = SimpleNamespace(
        blocks=SimpleNamespace(dates=np.zeros(n_days)),
        model=SimpleNamespace(weather=SimpleNamespace(table=pd.DataFrame({"temp_air": [lowest, 20.0]}))))
    frame = pd.DataFrame(columns=["string_id", "finding"]) if findings is None else findings
    return Look(site, None, state, frame, outlook, None, np.random.default_rng(0), dt.date(2024, 1, 1))


def _limited(volts):
    module = SimpleNamespace(**{**vars(MODULE), "max_system_voltage_v": volts})
    return make_site().__class__(**{
        **vars(make_site()),
        "strings": (String("I1.1", "I1", "A", module, 20), String("I1.2", "I1", "A", module, 18))})


def test_a_string_above_its_voltage_limit_on_the_coldest_morning_is_a_safety_job():
    # By hand: 20 modules x 50 V x (1 + 0.0028 x 28) = 1078.4 V at -3 °C; 18 give 970.6 V.
    job, = over_voltage(_look(_limited(1000.0)))
    assert job.safety
    assert job.scope == ("I1.1",)
    assert "1078 V" in job.why
    assert job.gain_kwh.sum() == 0
    assert over_voltage(_look(_limited(1100.0))) == []
    assert over_voltage(_look(_limited(None))) == []


def test_a_short_record_does_not_pass_for_a_winter():
    # By hand: 20 x 50 V x (1 + 0.0028 x 35) = 1098 V at the assumed -10 °C, though the record never fell below 5 °C.
    job, = over_voltage(_look(_limited(1080.0), lowest=5.0, n_days=100))
    assert "-10 °C" in job.why
    assert over_voltage(_look(_limited(1080.0), lowest=5.0)) == []
    warm = _limited(1080.0).__class__(**{
        **vars(_limited(1080.0)), "assumptions": {"coldest_morning_c": Assumption(4.0, "met office")}})
    assert over_voltage(_look(warm, lowest=5.0, n_days=100)) == []


def test_series_resistance_is_inspected_whatever_it_returns():
    found = pd.DataFrame({
        "string_id": ["I1.1", "I1.2"], "finding": ["series_resistance", "open"], "confidence": [0.8, 1.0],
        "last_round": ["2025-03-01", "2025-03-01"]})
    job, = hot_connectors(_look(make_site(), found))
    assert (job.job_kind, job.safety, job.scope, job.confidence) == ("inspect", True, ("I1.1",), 0.8)
    table, _ = rank_jobs(make_portfolio(), [job], AS_OF)
    assert table["rank"].tolist() == [1]
    assert table["chosen"].all()


def test_modules_to_replace_are_counted_from_the_loss():
    string = make_site().strings[0]
    # 10 % of 20 modules are 2; a fifth more makes 2.4, so 3. A shunt goes through the whole string.
    assert _modules(string, {"finding": "current_low", "share_lost": 0.10}) == 3
    assert _modules(string, {"finding": "current_low", "share_lost": 0.001}) == 1
    assert _modules(string, {"finding": "shunt", "share_lost": 0.10}) == 20


def test_units_are_those_of_the_scope():
    site = make_site(area_hectare=2.5, hedge_metres=300.0)
    whole = {"visit": 1, "string": 2, "module": 40, "inverter": 1}
    assert scope_units(site, ("site",)) == {**whole, "hectare": 2.5, "metre": 300}
    # A part of the site does not take the whole hedge.
    assert scope_units(site, ("I1",)) == whole
    assert scope_units(site, ("I1.2",)) == {"visit": 1, "string": 1, "module": 20, "inverter": 1}


def test_a_wet_morning_is_a_late_start_after_rain():
    off = np.ones((5, 8))
    off[1, :3] = 0.0  # late, and it rained the day before
    off[2, :3] = 0.0  # late, dry
    off[3, 4:6] = 0.0  # off at noon in the rain
    off[4, :] = 0.0  # off all day in the rain: not the dew
    blocks = SimpleNamespace(
        of=np.arange(40), day=np.repeat(np.arange(5), 8), rain=np.array([4.0, 0.0, 0.0, 3.0, 3.0]))
    state = SimpleNamespace(blocks=blocks, off=SimpleNamespace(inverter=off.reshape(1, 40)))
    lost, days = wet_mornings(state, 0)
    assert days.tolist() == [1]
    assert np.flatnonzero(lost).tolist() == [8, 9, 10]


def test_trips_that_began_in_the_year_are_taken_to_go_on_all_year():
    # Rain every day of a year; trips from day 200 on. 199 wet days passed without one.
    blocks = SimpleNamespace(dates=pd.date_range("2024-01-01", periods=365), rain=np.full(365, 3.0), washing=np.full(365, 3.0))
    state = SimpleNamespace(blocks=blocks, model=SimpleNamespace(site=SimpleNamespace(tz="UTC")))
    assert _began(state, np.arange(200, 365, 4)) == pd.Timestamp("2024-07-19", tz="UTC")  # 1 January + 200 days
    # A first trip on the fourth day says nothing of a beginning.
    assert _began(state, np.arange(3, 365, 4)) == pd.Timestamp("2024-01-01", tz="UTC")
