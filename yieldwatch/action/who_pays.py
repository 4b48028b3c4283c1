"""
Who pays for a loss or a job, until when it can be asked for, and what to send.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from yieldwatch.action.asked import Asked, mark_asked
from yieldwatch.action.guarantees import OUTAGES, ContractYear, contract_years
from yieldwatch.action.warranties import inverter_deadlines, short_strings
from yieldwatch.constants import LEFT_ON
from yieldwatch.cost.left_on import beyond_rows, in_hand_rows
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.results import SiteGap
from yieldwatch.portfolio.model import Guarantee, Site

COLUMNS = [
    "site_id", "payer", "ground", "subject", "period_from", "period_to", "energy_kwh", "amount", "amount_low", "amount_high",
    "state", "deadline", "reason", "evidence",
]
#: Days in which a claim is made, after a contract year or an event, unless set otherwise. Common practice, no source.
NOTICE_DAYS = 30.0
#: Words in an event's note that are usually insured. Common practice, no source.
_INSURED = re.compile(
    r"(?<!\bno )\b((?:wind|hail|snow|thunder)?storms?|hail|gales?|lightning|theft|stolen|burglar\w*|"
    r"fire(?![ -](?:alarm|door|drill|extinguish|inspect))|flood\w*|vandal\w*)\b", re.IGNORECASE)
_BY_CHANCE = "The amount is what is to be expected, by the chance that it is granted."
_NETWORK = {"grid_outage": "the network was off", "curtailment": "output was held down by instruction"}
_OWNER = ("soiling", "shading", "snow", "string_fault", "inverter_efficiency", "inverter_outage", LEFT_ON, "degradation")


def site_claims(site: Site, data: SiteData, gap: SiteGap, losses: pd.DataFrame, rounds: pd.DataFrame, jobs: pd.DataFrame,
                today: dt.date, asked: Sequence[Asked] = ()) -> pd.DataFrame:
    """
    Everything of a site that someone may have to pay for.

    Parameters
    ----------
    site, data, gap : Site, SiteData, SiteGap
    losses : DataFrame
        From `value_losses`.
    rounds : DataFrame
        From `assess_rounds`.
    jobs : DataFrame
        The work list; rows of other sites are passed over.
    today : date
        The day after the history's last.
    asked : sequence of Asked
        Claims that were made.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`. payer is owner, maintenance_contractor, module_maker, inverter_maker, insurer or network. `state` is
        "claim" (the figures show it), "asked" (a letter has asked for it), "watch" (may become one: the year runs, or only the
        bounds show it), "ask" (the contract decides), "none" (nothing is owed) or "own" (no one else is seen to owe it). Rows may
        hold the same money from two sides (an inverter's loss, and the guarantee's damages), so amounts are not to be added over
        payers.
    """
    notice = site.assumed("claim_notice_days", NOTICE_DAYS)
    rows = owed(site, gap, rounds, today, asked)
    rows += _inverters(site, data, gap, losses, today)
    rows += _network(losses, notice, today)
    rows += _insured(site, data, notice, today)
    claimed = {name for r in rows if r["payer"] == "module_maker" and r["state"] != "none" for name in str(r["subject"]).split()}
    rows += _jobs(site, data, jobs, today, claimed)
    rows += _own(losses)
    return pd.DataFrame([{"site_id": site.id, **r} for r in rows], columns=COLUMNS)


def owed(site: Site, gap: SiteGap, rounds: pd.DataFrame, today: dt.date,
         asked: Sequence[Asked] = ()) -> list[dict[str, object]]:
    """Guarantees and power warranties against what came: rows as of `site_claims`, from which claims are raised as jobs."""
    notice = site.assumed("claim_notice_days", NOTICE_DAYS)
    rows: list[dict[str, object]] = []
    for promised in site.guarantees:
        years = contract_years(site, gap, promised)
        rows += [_guaranteed(year, notice, today, _paid_twice(site, promised)) for year in years] or [_untold(promised)]
    rows += _modules(site, rounds, gap.string_findings, today)
    mark_asked(rows, asked, today)
    return rows


def _row(payer: str, ground: str, subject: str, span: tuple[object, object], energy: float, amount: Sequence[float], state: str,
         deadline: dt.date | None, reason: str, evidence: str) -> dict[str, object]:
    value, low, high = amount
    return {
        "payer": payer, "ground": ground, "subject": subject, "period_from": str(span[0]), "period_to": str(span[1]),
        "energy_kwh": energy, "amount": value, "amount_low": low, "amount_high": high, "state": state,
        "deadline": "" if deadline is None else deadline.isoformat(), "reason": reason, "evidence": evidence,
    }


def _paid_twice(site: Site, promised: Guarantee) -> bool:
    """Whether an outage lowers a performance ratio that is guaranteed beside an availability that counts the same outage."""
    counted = {c for g in site.guarantees if g.kind == "availability" for c in OUTAGES if c not in g.excludes}
    return promised.kind == "performance_ratio" and not counted <= set(promised.excludes)


def _guaranteed(year: ContractYear, notice: float, today: dt.date, twice: bool) -> dict[str, object]:
    promised = year.guarantee
    value, low, high = year.value_pct
    if value >= promised.value_pct:
        state = "none" if low >= promised.value_pct else "watch"
    else:
        state = "watch" if today < year.end or _is_partial(year) or high >= promised.value_pct else "claim"
    deadline = year.end + dt.timedelta(days=round(notice))
    said = [f"{value:.2f} % ({low:.2f} to {high:.2f}) against {promised.value_pct:g} % promised; {year.raw_pct:.2f} % with "
            "nothing excluded", *_terms(year), *_so_far(year, today)]
    if value < promised.value_pct <= high:
        said.append("within the doubt of the figures")
    if promised.cap is not None and year.damages[0] >= promised.cap:
        said.append(f"the yearly cap of {promised.cap:g} is reached")
    if twice and state != "none":
        said.append("outages that the availability counts lower this ratio too: contracts commonly pay for them once")
    if state == "claim" and today > deadline:
        said.append(f"the usual notice ended on {deadline}: ask all the same")
    evidence = {"availability": "downtime.csv, yields.csv, events.csv",
                "performance_ratio": "yields.csv, losses.csv, the light sensor's record"}[promised.kind]
    return _row("maintenance_contractor", promised.kind, "site", (year.start, year.end), year.energy_kwh, year.damages, state,
                deadline, "; ".join(said) + ".", evidence)


def _is_partial(year: ContractYear) -> bool:
    return year.covered < 0.995


def _terms(year: ContractYear) -> list[str]:
    """What the contract excludes, and what of that is for it to say."""
    said = []
    if year.guarantee.excludes:
        said.append(f"excluded: {', '.join(c.replace('_', ' ') for c in year.guarantee.excludes)}")
    if year.left_on_kwh >= 0.5:
        said.append(f"of the curtailment excluded no instruction held {year.left_on_kwh:,.0f} kWh: ask whether the contract "
                    "excludes a limit left on by mistake, and who left it on")
    return said


def _so_far(year: ContractYear, today: dt.date) -> list[str]:
    """How much of the contract year is behind the figures."""
    said = []
    if _is_partial(year):
        said.append(f"{100 * year.covered:.0f} % of the contract year is measured, and damages are in that proportion")
        if year.guarantee.kind == "performance_ratio":
            said.append("a performance ratio has its seasons, so a part of the year does not stand for all of it")
    if year.of_year < 1.0:
        said.append(f"the contract ends within its last year, of which it leaves {100 * year.of_year:.0f} %, and damages are in "
                    "that proportion")
    if today < year.end:
        said.append(f"the contract year ends on {year.end}")
    return said


def _untold(promised: Guarantee) -> dict[str, object]:
    return _row("maintenance_contractor", promised.kind, "site", (promised.start or "", ""), np.nan, (np.nan,) * 3, "watch", None,
                f"{promised.value_pct:g} % is promised, and it cannot be told whether it was kept: no measured month falls in "
                "the contract, or its outages could not be assessed. An interval log of the inverters would tell.", "")


def _modules(site: Site, rounds: pd.DataFrame, findings: pd.DataFrame, today: dt.date) -> list[dict[str, object]]:
    rows = []
    cost = site.job_costs.get("replace_modules")
    watts = {s.string_id: s.p_mp_w for s in site.strings}
    for kind, found in short_strings(site, rounds, findings).groupby("module_type"):
        module = next(s.module_type for s in site.strings if s.module_type.module_type == kind)
        price = cost.cost_per_unit / module.p_mp_w if cost is not None and cost.unit == "module" else np.nan
        worst = found.loc[found["share"].idxmin()]
        plate = found["string_id"].map(watts)
        low = ((found["warranted"] - found["high_share"]) * plate).sum() * price
        high = ((found["warranted"] - found["low_share"]) * plate).sum() * price
        traces = "; ".join(f"{r.file} line {r.line}" for r in found.itertuples())
        end = found["deadline"].iloc[0]
        ended = end is not None and today > end
        rows.append(_row(
            "module_maker", "power_warranty", " ".join(found["string_id"]),
            (found["time"].min().date(), _after(found["time"].max().date())), np.nan,
            (float(found["missing_w"].sum() * price), float(low), float(high)), "none" if ended else "watch", end,
            f"{'1 string' if len(found) == 1 else f'{len(found)} strings'} of {kind} below the warranted power beyond the doubt "
            f"of the trace (k = 2), lowest {100 * worst['share']:.1f} % of nameplate against {100 * worst['warranted']:.1f} %. "
            + ("The warranty has ended." if ended else
               "A field trace is a screen: wash, trace again and have their modules measured in a laboratory first.")
            + ("" if np.isfinite(price) else " No replace_modules price per module in job_costs, so no amount."),
            f"{traces}; serial numbers, string_findings.csv"))
    return rows


def _inverters(site: Site, data: SiteData, gap: SiteGap, losses: pd.DataFrame, today: dt.date) -> list[dict[str, object]]:
    """Outages of inverters that fell within their warranty; the warranty itself seldom covers the energy."""
    ends, first = inverter_deadlines(site, data), inverter_deadlines(site, replace(data, events=pd.DataFrame()))
    spells = gap.downtime
    if spells.empty or not ends:
        return []
    mine = losses[losses["cause"] == "inverter_outage"]
    energy_all = mine["energy_kwh"].sum()
    price = mine["revenue_lost"].sum(skipna=False) / energy_all if energy_all else np.nan
    rows = []
    for name, own in spells[spells["cause"] == "inverter_outage"].groupby("inverter_id"):
        end = ends.get(str(name))
        if end is None:
            continue
        within = own[pd.to_datetime(own["start"], utc=True) < pd.Timestamp(end, tz=site.timezone)]
        if within.empty:
            continue
        energy = float(within["energy_kwh"].sum())
        rows.append(_row(
            "inverter_maker", "inverter_warranty", str(name),
            (within["start"].min().date(), _after(within["end"].max().date())), energy,
            (energy * price, np.nan, np.nan), "ask" if today <= end else "none", end,
            f"{len(within)} outage{'' if len(within) == 1 else 's'} within the warranty. It commonly covers parts and labour, "
            "not the energy; planned work and outages of other causes are no claim."
            + ("" if end == first[str(name)] else " The term is counted from its replacement; one replaced under warranty "
               f"commonly has the rest of the first term alone, which ends on {first[str(name)]}.")
            + ("" if today <= end else " The warranty has ended."),
            "downtime.csv, the inverter's event log, its serial number"))
    return rows


def _network(losses: pd.DataFrame, notice: float, today: dt.date) -> list[dict[str, object]]:
    """What the network may owe: the months of which notice can still be given, and those whose usual notice has passed."""
    rows = []
    # A limit that was left on by mistake is the farm's own making.
    losses = beyond_rows(losses)
    until = losses["month"].map(lambda m: (pd.Period(m, "M") + 1).start_time.date() + dt.timedelta(days=round(notice)))
    for cause, why in _NETWORK.items():
        for passed in (False, True):
            chosen = (losses["cause"] == cause) & (losses["energy_kwh"] > 0) & ((until < today) == passed)
            own = losses[chosen]
            if own.empty:
                continue
            rows.append(_row(
                "network", cause, "site", _span(own), float(own["energy_kwh"].sum()), _sums(own),
                "watch" if passed else "ask", max(until[chosen]) if passed else min(until[chosen]),
                f"Lost while {why}, less what the tariff pays for it. The connection terms say whether the network owes it; an "
                "outage or limit of the farm's own making is not owed." + (" The usual notice has passed." if passed else ""),
                "downtime.csv, events.csv, the network's notices and instructions"))
    return rows


def _insured(site: Site, data: SiteData, notice: float, today: dt.date) -> list[dict[str, object]]:
    rows = []
    for event in data.events.to_dict("records"):
        note = event.get("note")
        if not isinstance(note, str) or not _INSURED.search(note):
            continue
        day = event["start"].tz_convert(site.timezone).date()
        end = day + dt.timedelta(days=round(notice))
        amount, within = _less_excess(event.get("cost"), site.assumed("insurance_excess", 0.0))
        state, reason = "none", f"{within}, which the owner bears."
        if not within or amount > 0.0:
            state = "ask" if today <= end else "watch"
            reason = "The event's note names what is usually insured. Tell the insurer at once; " + (
                f"{within}, and waiting days are the policy's." if within else "excess and waiting days are the policy's.")
            reason += "" if today <= end else " The usual time for notice has passed: ask all the same."
        rows.append(_row(
            "insurer", "insured_event", str(event["event_id"]), (day, _after(day)), np.nan, (amount, np.nan, np.nan), state, end,
            reason, "events.csv, photographs, the weather record, invoices"))
    return rows


def _less_excess(cost: object, excess: float) -> tuple[float, str]:
    """What an event's cost leaves to the insurer, and how it was reckoned; no words where no excess is known. [money]"""
    known = float(str(cost)) if cost is not None else np.nan
    if not excess > 0.0 or not np.isfinite(known):
        return known, ""
    if known <= excess:
        return 0.0, f"The cost of {known:g} is within the policy's excess of {excess:g}"
    return known - excess, f"the amount is the cost of {known:g} less the excess of {excess:g}"


def _jobs(site: Site, data: SiteData, jobs: pd.DataFrame, today: dt.date, claimed: set[str]) -> list[dict[str, object]]:
    ends = inverter_deadlines(site, data)
    rows = []
    for job in jobs[jobs["site_id"] == site.id].to_dict("records") if len(jobs) else []:
        scope = job["scope"] if isinstance(job["scope"], tuple | list) else str(job["scope"]).split()
        payer, ground, state, end, reason = "owner", "job", "own", None, "No warranty or guarantee is seen to cover it."
        amount = (job["cost"], np.nan, np.nan)
        covered = [ends[i] for i in scope if i in ends and today <= ends[i]]
        if job["job_kind"] == "repair_inverter" and covered and len(covered) == len(scope):
            payer, ground, state, end = "inverter_maker", "job", "ask", min(covered)
            reason = "Within the inverter's warranty: have the maker repair it before money is spent."
        elif job["job_kind"] == "claim":
            end = dt.date.fromisoformat(str(job["due_to"]))
            # What it asks for, by its chance: its cost is the owner's own.
            amount = (job["gain_per_year"], job["gain_low_per_year"], job["gain_high_per_year"])
            if set(scope) <= claimed:
                payer, ground, state = "module_maker", "job", "claim"
                reason = "Its strings are below the power warranty: ask in writing which tests count, then send what is named. "
                reason += _BY_CHANCE
            else:
                payer, ground, state = "maintenance_contractor", "job", "claim"
                reason = "The guarantee was missed beyond the doubt of the figures: claim the damages. " + _BY_CHANCE
        elif job["job_kind"] == "replace_modules" and claimed and set(scope) <= claimed:
            payer, ground, state = "module_maker", "job", "ask"
            reason = "Its strings are below the power warranty: claim first. Labour and transport are often not covered."
        window = (job["due_from"], _after(dt.date.fromisoformat(str(job["due_to"])[:10])) if job["due_to"] else "")
        rows.append(_row(payer, ground, str(job["job_id"]), window, np.nan,
                         amount, state, end, reason, "work_list.csv"))
    return rows


def _own(losses: pd.DataFrame) -> list[dict[str, object]]:
    rows = []
    losses = pd.concat([in_hand_rows(losses), beyond_rows(losses)])
    for cause in _OWNER:
        own = losses[(losses["cause"] == cause) & losses["energy_kwh"].notna()]
        if own.empty or not (own["energy_kwh"] != 0).any():
            continue
        rows.append(_row("owner", cause, "site", _span(own), float(own["energy_kwh"].sum()), _sums(own), "own", None,
                         "Borne by the owner but for what the rows above say of it.", "losses.csv"))
    return rows


def _after(day: dt.date) -> dt.date:
    """A period ends with the day after its last."""
    return day + dt.timedelta(days=1)


def _span(rows: pd.DataFrame) -> tuple[dt.date, dt.date]:
    end = (pd.Period(rows["month"].max(), "M") + 1).start_time.date()
    return dt.date.fromisoformat(rows["month"].min() + "-01"), end


def _sums(rows: pd.DataFrame) -> tuple[float, float, float]:
    """Money with its bounds added up, which is the wider answer."""
    value, low, high = (float(rows[c].sum(skipna=False)) for c in ("revenue_lost", "revenue_lost_low", "revenue_lost_high"))
    return value, low, high
