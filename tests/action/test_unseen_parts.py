"""Parts that only the log lacks: what is proposed for them."""

import datetime as dt

from tests.action.farm_state import inferred
from tests.farm.spec import InverterEfficiency, StringFault
from yieldwatch.action.candidates import candidates
from yieldwatch.action.costing import job_id


def test_two_dead_strings_of_one_inverter_are_found_and_mended_on_one_visit(tmp_path):
    farm = inferred(
        tmp_path,
        StringFault("INV1.1.1", "open", dt.date(2023, 9, 1)),
        StringFault("INV1.2.1", "open", dt.date(2024, 1, 20)),
        start=dt.date(2023, 6, 1), end=dt.date(2024, 6, 1))

    jobs = [j for j in candidates(farm.portfolio, farm.site, farm.data, farm.state, farm.findings, farm.as_of)[0]
            if j.cause == "string_fault"]

    assert len([f for f in farm.state.faults if not f.strings]) == 2
    # The second takes a third of what the first left, which is one string again.
    assert [(j.job_kind, j.scope, j.units["string"]) for j in jobs] == [("repair_string", ("INV1",), 2.0)]
    assert len({job_id(j) for j in jobs}) == len(jobs)
    # Two strings of four, less what the repairs cost, and the chance that nothing is found.
    log = farm.data.power
    year = log.loc[log["inverter_id"] == "INV3", "ac_power_kw"].sum()
    assert 0.3 * year < jobs[0].gain_kwh[:, :12].sum(axis=1).mean() < 0.5 * year


def test_a_dead_string_that_the_log_alone_has_seen_is_found_and_mended_on_one_visit(tmp_path):
    farm = inferred(
        tmp_path, StringFault("INV1.1.1", "open", dt.date(2024, 1, 20)), start=dt.date(2023, 6, 1), end=dt.date(2024, 6, 1))

    jobs = [j for j in candidates(farm.portfolio, farm.site, farm.data, farm.state, farm.findings, farm.as_of)[0]
            if j.cause == "string_fault"]

    assert [(j.job_kind, j.scope, j.units["string"]) for j in jobs] == [("repair_string", ("INV1",), 1.0)]
    # A quarter of the inverter, with the chance that it is a string's, or an input's whose own repair is paid first.
    log = farm.data.power
    year = log.loc[log["inverter_id"] == "INV3", "ac_power_kw"].sum()
    assert 0.2 * year < jobs[0].gain_kwh[:, :12].sum(axis=1).mean() < 0.27 * year
    assert "1 of its 4 strings" in jobs[0].why


def test_an_input_that_takes_just_a_strings_worth_is_not_looked_for_among_the_strings_where_ac_over_dc_fell(tmp_path):
    # Half of one of two inputs: a quarter of the inverter, as one of its four strings.
    farm = inferred(
        tmp_path, InverterEfficiency("INV1", "mppt", dt.date(2024, 5, 5), 50.0),
        start=dt.date(2023, 6, 1), end=dt.date(2024, 6, 1))

    jobs = candidates(farm.portfolio, farm.site, farm.data, farm.state, farm.findings, farm.as_of)[0]

    assert [j for j in jobs if j.cause == "string_fault"] == []
    (repair,) = [j for j in jobs if j.job_kind == "repair_inverter"]
    assert "AC over DC fell with its output" in repair.why
    log = farm.data.power
    year = log.loc[log["inverter_id"] == "INV3", "ac_power_kw"].sum()
    assert 0.2 * year < repair.gain_kwh[:, :12].sum(axis=1).mean() < 0.27 * year
