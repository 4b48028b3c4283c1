"""Nothing of the as-of day or after it is read."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from tests.field.site import METER, POWER, read_site
from tests.portfolio.folder import SITE

IV_HEADER = "time,string_id,poa_global_w_m2,temp_module_c,i_sc_a,v_oc_v,i_mp_a,v_mp_v\n"
IV = IV_HEADER + "2024-06-01T12:00:00+01:00,S1,900,45,9.4,690,9,570\n"


def _utc(text):
    return pd.Timestamp(text, tz="UTC")


def _with(settings_text):
    return {"sites/field/site.toml": SITE.replace("[[arrays]]", settings_text + "\n[[arrays]]")}


AS_OF_FILES = {
    "weather.csv": "time,ghi_w_m2,temp_air_c\n2024-06-30T22:45Z,0,9\n2024-06-30T23:00Z,0,9\n",
    "readings/iv/r.csv": IV + IV.splitlines()[1].replace("06-01T12", "07-01T12"),
    "readings/meter/m.csv": METER + "2024-05-01,2024-06-01,1900\n2024-06-01,2024-07-01,2000\n"
    "2024-06-30,2024-07-02,90\n2024-07-01,2024-08-01,2100\n",
    "events.csv": "event_id,kind,start,end,scope\nE1,outage,2024-06-30,2024-07-03,INV1\n"
    "E2,cleaning,2024-07-01,,site\n",
    "costs.csv": "date,amount\n2024-06-30,10\n2024-07-01,20\n",
    "statements.csv": "start,end,energy_kwh,amount\n"
    "2024-06-01,2024-07-01,2000,160\n2024-07-01,2024-08-01,1,1\n",
}


def test_nothing_on_or_after_the_as_of_day_is_read(tmp_path):
    # The day begins at 23:00 UTC, midnight of British Summer Time.
    data = read_site(tmp_path, AS_OF_FILES, as_of=dt.date(2024, 7, 1))
    assert data.weather.index.tolist() == [_utc("2024-06-30 22:45")]
    assert len(data.iv) == 1
    assert data.meter["energy_kwh"].tolist() == [1900, 2000]
    assert data.events["event_id"].tolist() == ["E1"]
    assert data.events["end"].isna().all()  # on that day nobody knows when it will end
    assert data.costs["amount"].tolist() == [10]
    assert data.statements["amount"].tolist() == [160]
    assert data.files["after_as_of"].sum() == 7
    assert "sites/field: 7 rows lie on or after 2024-07-01 and were not read." in data.notices
    assert data.set_aside.empty


def test_an_interval_labelled_at_its_end_belongs_to_the_day_before(tmp_path):
    data = read_site(
        tmp_path,
        {
            "weather.csv": "time,ghi_w_m2,temp_air_c\n2024-06-30T22:45Z,0,9\n"
            "2024-06-30T23:00Z,0,9\n2024-06-30T23:15Z,0,9\n"
        },
        dt.date(2024, 7, 1),
        _with('[data]\ninterval_label = { weather = "end" }'),
    )
    assert data.weather.index.tolist() == [_utc("2024-06-30 22:30"), _utc("2024-06-30 22:45")]
    assert data.files["after_as_of"].tolist() == [1]


def test_bad_rows_after_the_as_of_day_are_not_told(tmp_path):
    data = read_site(
        tmp_path,
        {
            "readings/power/a.csv": POWER + "2024-06-30T12:00Z,INV1,5\n"
            "2024-07-02T12:00Z,INV9,5\n2024-07-02T12:00Z,INV1,inf\n"
        },
        dt.date(2024, 7, 1),
    )
    assert data.set_aside.empty
    assert data.files["after_as_of"].tolist() == [2]
