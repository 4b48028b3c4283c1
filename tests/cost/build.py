"""The smallest site, data and gap that money can be worked out on."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Site, Tariff


def make_site(*tariffs: Tariff, timezone: str = "UTC", **more) -> Site:
    return Site(
        id="moor", name="Moor", latitude=51.0, longitude=0.0, altitude_m=10.0, timezone=timezone,
        commissioned=dt.date(2019, 1, 1), arrays=(), inverters=(), strings=(), tariffs=tariffs, **more,
    )


def make_data(prices: pd.DataFrame | None = None, load: pd.DataFrame | None = None) -> SiteData:
    none = pd.DataFrame()
    return SiteData(
        weather=None, weather_2=None, weather_step=None, iv=none, iv_curves=none, clamp=none, meter=None,
        power=None, power_step=None, string_current=None, events=none, prices=prices, load=load,
        statements=None, costs=None, set_aside=none, notices=(),
    )


def make_gap(intervals: pd.DataFrame, timezone: str = "UTC", doubt: float = 0.0) -> SiteGap:
    """A gap whose monthly losses are the sums of its intervals, give or take the share `doubt`."""
    causes = [c for c in intervals if not c.endswith("_kwh")]
    month = intervals.index.tz_convert(timezone).strftime("%Y-%m")
    losses = intervals[causes].groupby(month).sum().rename_axis("month").reset_index()
    losses = losses.melt("month", var_name="cause", value_name="energy_kwh")
    losses.insert(0, "site_id", "moor")
    losses["energy_low_kwh"] = losses["energy_kwh"] * (1 - doubt)
    losses["energy_high_kwh"] = losses["energy_kwh"] * (1 + doubt)
    losses["basis"] = "measured"
    return SiteGap(
        intervals=intervals, yields=pd.DataFrame(), losses=losses, draws={}, months=tuple(sorted(set(month))),
        string_findings=pd.DataFrame(), downtime=pd.DataFrame(),
    )
