"""A portfolio folder of format 1, and beside it the truth."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd

from . import logs
from .drawings import draw_cable_plan, draw_single_line
from .future import job_gains
from .instruments import clamp_round, iv_round
from .settings import JOB_COSTS, PortfolioSpec, dc_kw, inverter_row, module_row, section, site_toml
from .simulate import Farm, Truth, build, truth
from .spec import Grass, Hedge, InverterEfficiency, Soiling, StringFault
from .tables import write_csv, write_parquet
from .truth_files import write_truth


def events(farm: Farm) -> pd.DataFrame:
    """What the owner wrote down: the works, and the recorded part of what happened."""
    spec, tz = farm.spec, farm.spec.timezone
    noted: list[tuple[pd.Timestamp, str, str, str, str, float | None, str]] = []
    days = [(d, "cleaning", scope, cost, "") for s in spec.all_of(Soiling) for d, scope, cost in s.cleanings]
    days += [
        (d, "vegetation_cut", "site", cost, "hedge cut") for h in spec.all_of(Hedge) for d, _, cost in h.cuts
    ]
    days += [
        (d, "vegetation_cut", "site", cost, "grass mown") for g in spec.all_of(Grass) for d, cost in g.mowings
    ]
    days += [
        (f.repaired, "repair", f.string, f.repair_cost, "connector replaced")
        for f in spec.all_of(StringFault)
        if f.repaired
    ]
    days += [(f.repaired, "repair", f.inverter, 400.0, "") for f in spec.all_of(InverterEfficiency) if f.repaired]
    days += [(d, "sensor_cleaned", "site", None, "") for f in spec.instruments.sensor_faults for d in f.cleaned]
    for day, kind, scope, cost, note in days:
        if spec.start <= day < spec.end:
            noted.append((pd.Timestamp(day, tz="UTC"), kind, day.isoformat(), "", scope, cost, note))
    for s in farm.spells:
        if s.recorded and s.end is not None:
            begin, end = (x.tz_convert(tz).isoformat(timespec="seconds") for x in (s.start, s.end))
            noted.append((s.start, s.kind, begin, end, s.scope, s.cost, s.note))
    noted.sort(key=lambda e: (e[0], e[1], e[4]))
    names = ["event_id", "kind", "start", "end", "scope", "cost", "note"]
    return pd.DataFrame([(f"E{k:03d}", *e[1:]) for k, e in enumerate(noted, 1)], columns=names)


def _inverters_table(farm: Farm) -> pd.DataFrame:
    names = {"inverter_id": farm.inverters, "inverter_type": [t.name for t in farm.types]}
    stands = [farm.spec.crews.stands.get(n, (None, None, None)) for n in farm.inverters]
    told = dict(zip(("place", "x_m", "y_m"), zip(*stands, strict=True), strict=True))
    return pd.DataFrame(names | told).dropna(axis=1, how="all")


def strings_table(farm: Farm) -> pd.DataFrame:
    table = _strings_laid_out(farm)
    if farm.spec.crews.fuse_a is not None:
        table = table.assign(fuse_a=farm.spec.crews.fuse_a)
    if not farm.spec.crews.cable_route:
        return table
    return table.assign(cable_route=[farm.spec.crews.cable_route.format(row=u.row, inverter=u.inverter) for u in farm.units])


def _strings_laid_out(farm: Farm) -> pd.DataFrame:
    return pd.DataFrame(
        [(u.id, u.inverter, u.mppt, u.array, u.module, u.series, u.x_m, u.y_m, u.row) for u in farm.units],
        columns=[
            "string_id",
            "inverter_id",
            "mppt",
            "array_id",
            "module_type",
            "modules_in_series",
            "x_m",
            "y_m",
            "row",
        ],
    )


def _statements(farm: Farm, result: Truth) -> pd.DataFrame:
    """Monthly settlement at the first tariff's fixed price and its index."""
    spec, tariff = farm.spec, farm.spec.paper.tariffs[0]
    rows = []
    for month, kwh in zip(result.months, result.exported, strict=True):
        start = pd.Timestamp(month)
        years = (start - pd.Timestamp(spec.commissioned)).days // 365.25
        price = (
            float(tariff["price_per_kwh"]) * (1 + float(tariff.get("index_pct_per_year", 0)) / 100) ** years
        )
        end = start + pd.offsets.MonthBegin(1)
        rows.append(
            (start.date(), end.date(), round(kwh), round(round(kwh) * price, 2), f"{spec.id}-{month}")
        )
    return pd.DataFrame(rows, columns=["start", "end", "energy_kwh", "amount", "reference"])


# ---- folders -----------------------------------------------------------------------------------


def _costs(farm: Farm) -> pd.DataFrame:
    """Quarterly maintenance, land and insurance once a year, and the works in the events."""
    spec, kw = farm.spec, dc_kw(farm.spec)
    rows = []
    for at in pd.date_range(spec.start, spec.end, freq="QS", inclusive="left"):
        rows.append((at.date().isoformat(), round(1.6 * kw, 2), "maintenance", "standing contract"))
        if at.month == 1:
            rows.append((at.date().isoformat(), round(2.4 * kw, 2), "land", ""))
            rows.append((at.date().isoformat(), round(1.9 * kw, 2), "insurance", ""))
    done = events(farm).dropna(subset="cost")
    rows += list(zip(done["start"].str[:10], done["cost"], done["kind"], done["note"], strict=True))
    return pd.DataFrame(sorted(rows), columns=["date", "amount", "kind", "note"])


def write_site(folder: Path, farm: Farm, result: Truth) -> None:
    """Everything the owner of one farm has."""
    spec, fit = farm.spec, farm.spec.instruments
    folder.mkdir(parents=True, exist_ok=True)
    expected = dict(zip(result.months, result.expected, strict=True))
    (folder / "site.toml").write_text(site_toml(farm, expected), encoding="utf-8", newline="\n")
    write_csv(folder / "inverters.csv", _inverters_table(farm))
    write_csv(folder / "strings.csv", strings_table(farm))
    write_csv(folder / "events.csv", events(farm))
    modelled = fit.weather == "modelled"
    write_parquet(
        folder / "weather.parquet", logs.modelled_weather(farm) if modelled else logs.station_weather(farm)
    )
    if fit.second_weather and not modelled:
        write_parquet(folder / "weather_2.parquet", logs.modelled_weather(farm))
    _write_readings(folder / "readings", farm, result)
    if spec.crews.cable_plan:
        draw_cable_plan(farm, folder / spec.crews.cable_plan)
    if spec.crews.single_line:
        draw_single_line(farm, folder / spec.crews.single_line)
    if spec.paper.market:
        write_parquet(folder / "prices.parquet", logs.prices(farm))
    if spec.paper.load_kw:
        write_parquet(folder / "load.parquet", logs.load(farm))
    if spec.paper.statements:
        write_csv(folder / "statements.csv", _statements(farm, result))
        write_csv(folder / "costs.csv", _costs(farm))


def _write_readings(folder: Path, farm: Farm, result: Truth) -> None:
    fit = farm.spec.instruments
    curves, at = [], farm.spec.paper.meter_at
    for k, day in enumerate(fit.iv_rounds, 1):
        rows, points = iv_round(farm, k, day)
        if rows.empty:  # of a few strings, all of which were left out
            continue
        curves.append(points)
        write_csv(folder / "iv" / f"round-{k:02d}-{rows['time'].iloc[0][:10]}.csv", rows)
    if fit.curves and curves:
        write_csv(folder / "iv_curves" / "traces.csv", pd.concat(curves, ignore_index=True))
    for k, day in enumerate(fit.clamp_rounds, 1):
        rows = clamp_round(farm, result, k, day)
        write_csv(folder / "clamp" / f"clamp-{k:02d}-{rows['time'].iloc[0][:10]}.csv", rows)
    if fit.meter == "monthly":
        table = logs.meter(farm, result)
        shown = table.assign(**{c: table[c].dt.strftime("%Y-%m-%d") for c in ("start", "end")})
        write_csv(folder / "meter" / f"{at}.csv", shown)
    elif fit.meter != "none":
        write_parquet(folder / "meter" / f"{at}.parquet", logs.meter(farm, result))
    if fit.log_minutes:
        write_parquet(folder / "power" / "log.parquet", logs.power_log(farm, result))
    if fit.string_current:
        write_parquet(folder / "string_current" / "log.parquet", logs.string_currents(farm, result))


def write_head(folder: Path, portfolio: PortfolioSpec) -> None:
    """What all farms of a portfolio share."""
    head = {
        "format": 1,
        "name": portfolio.name,
        "currency": portfolio.currency,
        "discount_rate": portfolio.discount_rate,
        "works_budget": portfolio.works_budget,
        "crew_days": portfolio.crew_days,
    }
    (folder / "portfolio.toml").write_text(section("", head), encoding="utf-8", newline="\n")
    modules = dict.fromkeys(m for f in portfolio.farms for m in f.modules)
    inverters = dict.fromkeys(i for f in portfolio.farms for i in f.inverters)
    write_csv(folder / "module_types.csv", pd.DataFrame([module_row(m) for m in modules]))
    write_csv(folder / "inverter_types.csv", pd.DataFrame([inverter_row(i) for i in inverters]))
    names = [
        "job_kind",
        "cost_per_visit",
        "cost_per_unit",
        "unit",
        "crew_hours_per_visit",
        "crew_hours_per_unit",
        "lead_days",
    ]
    write_csv(folder / "job_costs.csv", pd.DataFrame(JOB_COSTS, columns=names))


def write_portfolio(
    folder: Path, truth_folder: Path, portfolio: PortfolioSpec, job_draws: int = 0, tell: Callable[[Farm], Truth] = truth
) -> list[tuple[Farm, Truth]]:
    """
    Simulate every farm of a portfolio and write both folders.

    With `job_draws`, also what each sensible job returns, the mean over so many drawings of the year to come.
    `tell` makes the truth.

    Returns the simulated farms with their truth, for a caller that wants more than the files.
    """
    folder.mkdir(parents=True, exist_ok=True)
    runs = []
    for spec in portfolio.farms:
        farm = build(spec)
        result = tell(farm)
        write_site(folder / "sites" / spec.id, farm, result)
        runs.append((farm, result))
    write_head(folder, portfolio)
    write_truth(truth_folder, portfolio, runs)
    if job_draws:
        write_csv(truth_folder / "jobs.csv", pd.concat([job_gains(f, job_draws) for f, _ in runs]))
    return runs
