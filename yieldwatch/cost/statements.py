"""
What was settled and paid, against the meter and the tariff.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from yieldwatch.cost.income import are_on_grid, cut_to_meter, interval_income, metered_intervals
from yieldwatch.cost.revenue import load_kwh
from yieldwatch.cost.tariffs import is_mixed, usual_step
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.measured import METER_COVERS
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Site

COLUMNS = [
    "site_id", "start", "end", "reference", "verdict", "energy_kwh", "meter_kwh", "energy_difference_kwh",
    "energy_tolerance_kwh", "amount", "amount_due", "amount_difference", "due_to_energy", "due_to_price",
    "amount_tolerance", "note",
]
#: Limit of error of a meter of class 0.5 near its rating. [%] IEC 62053-22, from memory; `meter_class_pct` replaces it.
METER_CLASS_PCT = 0.5
#: Doubt of the mean price of energy whose meter period holds more than one price. Common practice, no source.
_SHAPE_SHARE = 0.02
#: Doubt of the own use of energy whose hours the model alone knows. Common practice, no source.
_OWN_USE_SHARE = 0.05
#: Days after the end of a period in which its statement comes. Common practice, no source.
SETTLED_WITHIN_DAYS = 45.0
#: Days in a mean month of the Gregorian calendar, and how far from whole months a period may be to be of months.
_MONTH, _NEARLY = pd.Timedelta(days=30.436875), pd.Timedelta(days=3)
#: Statements of one sign that are no chance: as many of eight by chance have odds of 1 in 128.
_FEWEST_ONE_WAY = 8
#: Energy on a statement comes in whole kWh, money in hundredths.
_ROUNDED_KWH, _ROUNDED_MONEY = 0.5, 0.01


def check_statements(site: Site, data: SiteData, gap: SiteGap) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    Hold each statement against the meter and the tariff.

    Parameters
    ----------
    site : Site
    data : SiteData
    gap : SiteGap
        Its months are the ones that can be checked.

    Returns
    -------
    checks : DataFrame
        Columns `COLUMNS`; a row a statement, with the corrections of its period, and one for each span that none settles and one
        should. `verdict` is agrees, energy_differs, price_differs, energy_and_price_differ, duplicate, overlap, missing or
        not_checked. Differences are statement less meter and paid less due: below zero is money missing. Blank where the meter
        or a price is missing.
    notices : tuple of str
        The tolerance, and what was left unchecked.

    Notes
    -----
    Meter and statement may come from two meters, so they may differ by sqrt(2) times the meter's class. A difference in money is
    split at the tariff's mean price of the period: what the other energy explains, and the rest, which is the price's. Energy
    whose meter period holds one price is worth that to rounding; where the period holds several, only their mean is known. A hole
    of up to 2 % of a period's energy is filled as the account fills it, and allowed.
    """
    statements = data.statements
    if statements is None or statements.empty:
        return pd.DataFrame(columns=COLUMNS), ()
    class_pct = site.assumed("meter_class_pct", METER_CLASS_PCT)
    tolerance = np.sqrt(2.0) * class_pct / 100.0
    grid = _grid(site, data, gap)
    rows: list[dict[str, object]] = []
    seen: list[tuple[pd.Timestamp, pd.Timestamp, str]] = []
    settled_to: pd.Timestamp | None = None
    for s in netted(statements).sort_values(["start", "end"], kind="stable").to_dict("records"):
        start, end = pd.Timestamp(s["start"]), pd.Timestamp(s["end"])
        if settled_to is not None and start > settled_to:
            rows.append(_due(grid, settled_to, start)
                        | _row(site, settled_to, start, "", "missing", "No statement settles this span; ask for it."))
        reference = "" if pd.isna(s["reference"]) else str(s["reference"])
        same = [r for a, b, r in seen if a == start and b == end]
        other = [r for a, b, r in seen if a < end and start < b]
        row = _row(site, start, end, reference, "", "") | {"energy_kwh": s["energy_kwh"], "amount": s["amount"]}
        if same:
            row |= {"verdict": "duplicate", "note": f"The same period as {same[0] or 'an earlier row'}: settled twice, or a "
                                                    "correction that replaces it."}
        elif other:
            row |= {"verdict": "overlap", "note": f"Part of the period is also settled by {other[0] or 'an earlier row'}."}
        else:
            row |= _compared(row, _due(grid, start, end), class_pct / 100.0)
            if s["corrections"]:
                row["note"] = " ".join(filter(None, [str(row["note"]), "Settled with its corrections, added up."]))
        rows.append(row)
        seen.append((start, end, reference))
        settled_to = end if settled_to is None else max(settled_to, end)
    if settled_to is not None and (until := _settled_by_now(site, statements, settled_to, grid)):
        late = "The last statement ends here; this span's is late. Ask for it."
        rows.append(_due(grid, settled_to, until) | _row(site, settled_to, until, "", "missing", late))
    said = (
        f"statements are held against the meter within {100 * tolerance:.2g} % (two meters of class {class_pct:g}), and against "
        f"the tariff within {100 * _SHAPE_SHARE:g} % where the meter cannot show when the energy came, else to rounding.",
        *_one_sided(rows),
        *_unsettled_before(site, statements["start"].min(), grid),
        *_not_checked(rows),
    )
    return pd.DataFrame(rows, columns=COLUMNS), said


def netted(statements: pd.DataFrame) -> pd.DataFrame:
    """
    Statements of one period of which one is below nil, which is a correction, as one row: added up, their numbers together.

    Returns
    -------
    DataFrame
        With `corrections`, whether a row is such a sum. Statements of one period that are all above nil stay apart.
    """
    below = (statements["energy_kwh"] < 0) | (statements["amount"] < 0)
    period = [statements["start"], statements["end"]]
    sums = below.groupby(period).transform("any") & (below.groupby(period).transform("size") > 1)
    added = statements[sums].groupby(["start", "end"], as_index=False).agg({
        "energy_kwh": lambda v: v.sum(min_count=1), "amount": lambda v: v.sum(skipna=False),
        "reference": lambda v: " + ".join(str(r) for r in v if pd.notna(r))})
    parts = [part for part in (statements[~sums].assign(corrections=False), added.assign(corrections=True)) if len(part)]
    return pd.concat(parts, ignore_index=True)


def _grid(site: Site, data: SiteData, gap: SiteGap) -> pd.DataFrame:
    """
    What should have been settled in each interval: kWh sold, its price, and money for energy held down; and how much of it is in
    doubt. A short hole in the meter is filled as the account fills it.
    """
    table = cut_to_meter(data, gap.intervals)
    income = interval_income(site, data, gap)
    metered = metered_intervals(data, table)
    filled = metered.isna().to_numpy()
    energy = metered.where(~filled, table["measured_kwh"])
    unsure, gross = energy.abs().where(filled, 0.0), energy
    if site.meter == "generation" and any(t.import_price_per_kwh is not None for t in site.tariffs):
        load = load_kwh(site, data, pd.DatetimeIndex(table.index))
        own = energy * np.nan if load is None else np.minimum(energy.clip(lower=0), load)
        energy = energy - own
        unsure = unsure + (_OWN_USE_SHARE * own if _is_coarse(data, table) else 0.0)
    price = income["export_price"]
    worth = (energy * price).where(energy != 0, 0.0)
    return pd.DataFrame({"energy": energy, "worth": worth, "price": price, "compensation": income["compensation"],
                         "gross": gross, "filled": filled, "unsure": unsure,
                         "doubtful": worth.abs().where(_of_several_prices(site, data, price) | filled, 0.0)})


def _of_several_prices(site: Site, data: SiteData, price: pd.Series) -> np.ndarray:
    """Whether an interval's energy was metered in a period that holds more than one price, so that its price is a mean."""
    index = pd.DatetimeIndex(price.index)
    mixed = is_mixed(site, index, data.prices)
    if data.meter is None or data.meter.empty or not len(index):
        return mixed
    period = pd.DatetimeIndex(data.meter["start"]).searchsorted(index, side="right")
    several = pd.DataFrame({"price": price.to_numpy(), "mixed": mixed}).groupby(period).agg({"price": "nunique", "mixed": "any"})
    return ((several["price"] > 1) | several["mixed"]).reindex(period).to_numpy()


def _is_coarse(data: SiteData, table: pd.DataFrame) -> bool:
    """Whether the model, and not the meter, says in which of the intervals the energy came."""
    step = usual_step(pd.DatetimeIndex(table.index))
    return data.meter is None or data.meter.empty or bool((data.meter["end"] - data.meter["start"]).median() > step)


def _settled_by_now(site: Site, statements: pd.DataFrame, last: pd.Timestamp, grid: pd.DataFrame) -> pd.Timestamp | None:
    """End of the periods after the last statement, each as long as the usual one, that should be settled by now; None if none."""
    if grid.empty:
        return None
    due = grid.index[-1] + usual_step(pd.DatetimeIndex(grid.index)) - pd.Timedelta(days=SETTLED_WITHIN_DAYS)
    span = (statements["end"] - statements["start"]).median()
    if not span > pd.Timedelta(0):
        return None
    months = round(span / _MONTH)
    of_months = months > 0 and abs(span - months * _MONTH) < _NEARLY
    # In site time, where a month begins at midnight on either side of a change of the clocks.
    here, n = last.tz_convert(site.timezone).tz_localize(None), 0
    step = (lambda k: here + pd.DateOffset(months=months * k)) if of_months else lambda k: here + k * span
    while step(n + 1).tz_localize(site.timezone, ambiguous=True, nonexistent="shift_forward") <= due:
        n += 1
    return step(n).tz_localize(site.timezone, ambiguous=True, nonexistent="shift_forward") if n else None


def _unsettled_before(site: Site, first: pd.Timestamp, grid: pd.DataFrame) -> list[str]:
    """Metered months before the first statement, of which no statement was given."""
    metered = grid["energy"].dropna()
    if metered.empty or first - metered.index[0] < _MONTH - _NEARLY:
        return []
    return [f"the meter reads from {metered.index[0].tz_convert(site.timezone):%Y-%m-%d} on and the first statement begins on "
            f"{first.tz_convert(site.timezone):%Y-%m-%d}: whether what came before was paid is not checked."]


def _due(grid: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> dict[str, object]:
    blank: dict[str, object] = {"meter_kwh": np.nan, "amount_due": np.nan, "_compensation": np.nan, "_doubtful": np.nan,
                                "_unsure": np.nan, "_gross": np.nan}
    index = pd.DatetimeIndex(grid.index)
    if not are_on_grid(index, pd.Series([start]), pd.Series([end]))[0]:
        return blank | {"note": "Outside the months that are reported."}
    part = grid[(index >= start) & (index < end)]
    energy, worth, filled = part["energy"].sum(skipna=False), part["worth"].sum(skipna=False), part["filled"].to_numpy()
    hole = float(part.loc[filled, "unsure"].sum())
    if np.isnan(energy) or filled.all() or hole > (1.0 - METER_COVERS) * abs(energy):
        return blank | {"note": "The meter does not cover the period, or the site's own use in it is not known."}
    due: dict[str, object] = {"meter_kwh": energy, "amount_due": worth, "_compensation": part["compensation"].sum(),
                              "_doubtful": part["doubtful"].sum(), "_unsure": part["unsure"].sum(), "_gross": part["gross"].sum(),
                              "_prices": part["price"].dropna().unique()}
    if np.isnan(worth):
        return due | {"note": "A price is missing."}
    return due | ({"note": f"{hole:,.0f} kWh that the meter lacks are filled, and allowed."} if hole >= _ROUNDED_KWH else {})


def _compared(row: dict, due: dict[str, object], class_share: float) -> dict[str, object]:
    meter, worth, extra, doubtful, unsure, gross = (
        float(due[k])  # type: ignore[arg-type]
        for k in ("meter_kwh", "amount_due", "_compensation", "_doubtful", "_unsure", "_gross"))
    off_kwh = row["energy_kwh"] - meter
    # Where own use is taken off, the meter here counts all generation, and errs by its class of that.
    allowed_kwh = class_share * float(np.hypot(gross, meter)) + unsure + _ROUNDED_KWH
    price = worth / meter if meter else np.nan
    by_price = row["amount"] - row["energy_kwh"] * price
    # Money for energy held down may come with the statement or apart from it; both are right.
    by_price = by_price - np.clip(by_price, 0.0, max(extra, 0.0))
    allowed = _ROUNDED_MONEY + _ROUNDED_KWH * abs(price) + _SHAPE_SHARE * doubtful
    energy_off = bool(abs(off_kwh) > allowed_kwh)
    price_off = bool(abs(by_price) > allowed)
    out = due | {
        "energy_difference_kwh": off_kwh, "energy_tolerance_kwh": allowed_kwh, "amount_difference": row["amount"] - worth,
        "due_to_energy": off_kwh * price, "due_to_price": row["amount"] - row["energy_kwh"] * price, "amount_tolerance": allowed,
    }
    if np.isnan(row["energy_kwh"]) and np.isfinite(row["amount"] - worth):
        return out | _without_energy(row["amount"] - worth, extra, allowed + allowed_kwh * abs(price))
    if np.isnan(off_kwh):
        return out | {"verdict": "not_checked", "note": due.get("note") or "The statement has no energy."}
    if np.isnan(by_price):
        no_price = "The statement has no amount, or the meter no energy, so its price cannot be checked."
        lacks = due.get("note") if np.isnan(worth) else no_price
        return out | {"verdict": "energy_differs" if energy_off else "not_checked", "note": lacks}
    off = f"Settled {off_kwh:+,.0f} kWh against the meter, beyond its error."
    of_price = _price_note(row, price, due.get("_prices", ()))  # type: ignore[arg-type]
    words = {
        (False, False): ("agrees", ""),
        (True, False): ("energy_differs", f"{off} Ask for the readings."),
        (False, True): ("price_differs", of_price),
        (True, True): ("energy_and_price_differ", f"{off} {of_price}"),
    }
    verdict, note = words[energy_off, price_off]
    return out | {"verdict": verdict, "note": " ".join(filter(None, [note, str(due.get("note", ""))]))}


def _without_energy(off: float, extra: float, allowed: float) -> dict[str, object]:
    """The verdict of a statement that holds money alone, against what the metered energy is worth."""
    said = {"amount_tolerance": allowed}
    if abs(off - np.clip(off, 0.0, max(extra, 0.0))) <= allowed:
        return said | {"verdict": "agrees", "note": "It has no energy; its amount is what the metered energy is worth."}
    return said | {"verdict": "energy_and_price_differ", "note": f"Paid {off:+,.2f} against what the metered energy is worth; it "
                   "has no energy, so energy and price cannot be told apart. Ask for its readings and prices."}


def _price_note(row: dict, price: float, prices: Sequence[float]) -> str:
    paid = row["amount"] / row["energy_kwh"] if row["energy_kwh"] else np.nan
    one = [p for p in prices if abs(row["amount"] - row["energy_kwh"] * p) <= _ROUNDED_MONEY + _ROUNDED_KWH * abs(p)]
    if one and len(prices) > 1:
        return (f"All was paid at {one[0]:.5f} per kWh, the price of a part of the period; with the tariff's other prices in it "
                f"{price:.5f} is due. Ask for the difference, or correct the [[tariffs]].")
    return f"Paid {paid:.5f} per kWh; the tariff gives {price:.5f} over the period. Query the price, or correct the [[tariffs]]."


def _row(site: Site, start: pd.Timestamp, end: pd.Timestamp, reference: str, verdict: str, note: str) -> dict[str, object]:
    days = {k: t.tz_convert(site.timezone).strftime("%Y-%m-%d %H:%M").removesuffix(" 00:00")
            for k, t in (("start", start), ("end", end))}
    return {"site_id": site.id, **days, "reference": reference, "verdict": verdict, "note": note}


def _one_sided(rows: list[dict[str, object]]) -> list[str]:
    """Differences within the tolerance that all go one way: no chance, but one meter against the other."""
    agree = pd.DataFrame([r for r in rows if r["verdict"] == "agrees" and np.isfinite(float(str(r["energy_kwh"])))])
    if len(agree) < _FEWEST_ONE_WAY:
        return []
    off = agree["energy_difference_kwh"].astype(float)
    if not ((off > 0).all() or (off < 0).all()):
        return []
    mean = 100.0 * off.sum() / agree["meter_kwh"].astype(float).sum()
    way = "more" if mean > 0 else "less"
    return [f"all {len(agree)} statements that agree settle {way} than the meter here reads, {abs(mean):.2f} % on the whole: "
            "within what two meters may differ by, but no chance. Ask which of them was last tested."]


def _not_checked(rows: list[dict[str, object]]) -> list[str]:
    n = sum(r["verdict"] == "not_checked" for r in rows)
    which = "1 statement" if n == 1 else f"{n} statements"
    return [f"{which} could not be checked in full; statement_checks.csv says why."] if n else []
