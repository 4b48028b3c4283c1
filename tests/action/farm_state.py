"""A written farm read back and inferred: what candidates are made from."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from tests.farm.plain import plain
from tests.farm.settings import PortfolioSpec
from tests.farm.spec import Block, FarmSpec, Instruments, Mechanism
from tests.farm.write import write_portfolio
from yieldwatch.field.read import read_site_data
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState, infer_state
from yieldwatch.gap.findings import string_findings
from yieldwatch.gap.rounds import assess_rounds
from yieldwatch.portfolio.model import Portfolio, Site
from yieldwatch.portfolio.read import read_portfolio


class Inferred(NamedTuple):
    portfolio: Portfolio
    site: Site
    data: SiteData
    state: SiteState
    findings: pd.DataFrame
    as_of: dt.date


def inferred(folder: Path, *mechanisms: Mechanism, start: dt.date, end: dt.date, rounds: tuple[dt.date, ...] = (),
             log_minutes: int = 60, dc: bool = True, **changes) -> Inferred:
    """Four inverters of four strings unless `blocks` says otherwise, a log without error, DC in it or not, these mechanisms."""
    fit = Instruments(log_minutes=log_minutes, light_bias=0.0, light_drift_year=0.0, logger_gain=0.0, gaps_per_year=0.0,
                      stuck_per_year=0.0, repeats_per_year=0.0, rain_gauge=0.0, iv_rounds=rounds, iv_light_bias=0.0,
                      iv_bad_light=0.0)
    blocks = tuple(Block(f"INV{k}", "I", "A", "M", 2, 2, 20) for k in (1, 2, 3, 4))
    spec = replace(plain(*mechanisms), start=start, end=end, instruments=fit, **({"blocks": blocks} | changes))
    return of_spec(folder, spec, dc)


def of_spec(folder: Path, spec: FarmSpec, dc: bool = True) -> Inferred:
    """The farm of `spec`, written, read back and inferred as of its last day, DC in the log or not."""
    write_portfolio(folder, folder / "truth", PortfolioSpec("P", (spec,)))
    portfolio = read_portfolio(folder)
    site = portfolio.sites[0]
    data = read_site_data(folder, site, spec.end)
    data = data if dc else replace(data, power=data.power.drop(columns="dc_power_kw"))
    traces = assess_rounds(site, data)
    findings = string_findings(site, traces, data)
    first, last = (pd.Timestamp(day, tz=site.timezone).tz_convert("UTC") for day in (spec.start, spec.end))
    return Inferred(portfolio, site, data, infer_state(site, data, traces, findings, first, last), findings, spec.end)
