"""A farm without a log on which a string or an input failed after the last visit."""

import datetime as dt
import re
from dataclasses import replace

import pytest

from tests.farm.spec import InverterEfficiency, Outages, StringFault
from tests.gap.test_unlogged import answer_and_truth, spec_of


def looked_for(folder, *mechanisms, end=dt.date(2023, 10, 1)):
    answer, _ = answer_and_truth(folder, replace(spec_of(*mechanisms), end=end))
    return answer.work_list.query("cause == 'string_fault' and not safety")


def test_a_string_that_died_after_the_last_visit_is_looked_for_where_the_meter_fell_and_stayed(tmp_path):
    # One string in twelve, dead eleven days after all were read: August and September lack 8 % each.
    (job,) = looked_for(tmp_path, StringFault("INV2.1.1", "open", dt.date(2023, 7, 31))).to_dict("records")

    assert job["scope"] == "INV1 INV2 INV3"  # the meter does not say which
    assert job["job_kind"] == "repair_string"
    assert job["confidence"] > 0.65
    assert job["chosen"]


@pytest.mark.parametrize("mechanisms", [(), (Outages(2.0, 60.0, 0.0),)])
def test_nothing_is_looked_for_where_the_meter_stayed_or_one_outage_went_unrecorded(tmp_path, mechanisms):
    jobs = looked_for(tmp_path, *mechanisms)

    assert not jobs["chosen"].any()


def test_an_input_that_takes_what_no_string_takes_is_looked_for_and_not_mended_unseen(tmp_path):
    # Half of an inverter on one of its two inputs: a sixth of the farm, two dead strings' worth at once.
    (job,) = looked_for(tmp_path, InverterEfficiency("INV2", "mppt", dt.date(2023, 7, 31), 100.0)).to_dict("records")

    assert job["scope"] == "INV1 INV2 INV3"
    assert job["job_kind"] == "inspect"
    told = [float(part) for part in re.findall(r"(\d+) %", job["why"])]  # a string is dead; an input does not track
    assert told[1] > 0.6 > 0.4 > told[0]
    assert job["chosen"]
