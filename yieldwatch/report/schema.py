"""
The tables that are written: their columns, in order, and what each column means.

The same words head the second sheet of the workbook, so a column is explained once.
"""

from __future__ import annotations

INTERVAL = "90 % interval"

YIELDS = {
    "site_id": "Site",
    "month": "Month in site time, YYYY-MM",
    "insolation_kwh_m2": "Light in the array plane, weighted by array capacity [kWh/m²]",
    "expected_kwh": "What the farm would have delivered in the weather that came, with nothing wrong [kWh]",
    "measured_kwh": "What was measured; blank where nothing measured the month [kWh]",
    "measured_from": "Where the measured value comes from",
    "estimated_kwh": "Part of the measured value that fills gaps in the log [kWh]",
    "inverter_kwh": "Energy by the inverters' own log [kWh]",
    "clipped_kwh": "What inverter rating and export limit took; no loss, part of expected [kWh]",
    "performance_ratio": "Final yield over reference yield",
    "performance_ratio_temp_corrected": "The same, at 25 °C cell temperature",
    "availability": "1 - (inverter and grid outage) / expected, by energy",
    "coverage": "Share of the month's expected energy that was really measured",
}
LOSSES = {
    "site_id": "Site",
    "month": "Month in site time, YYYY-MM",
    "cause": "Where the energy went",
    "energy_kwh": "Energy lost to the cause; negative is a gain [kWh]",
    "energy_low_kwh": f"Low end of the {INTERVAL} [kWh]",
    "energy_high_kwh": f"High end of the {INTERVAL} [kWh]",
    "revenue_lost": "Money lost, negative where the price was negative",
    "revenue_lost_low": f"Low end of the {INTERVAL}",
    "revenue_lost_high": f"High end of the {INTERVAL}",
    "basis": "measured, prior (no evidence of the farm's own) or not_assessed",
}
STRING_FINDINGS = {
    "site_id": "Site",
    "string_id": "String",
    "last_round": "Date of the last round that tested it",
    "p_mp_stc_w": "Power at 1000 W/m², 25 °C [W]",
    "p_mp_ratio": "Power against its peers of the same round",
    "i_sc_ratio": "Short-circuit current against its peers",
    "v_oc_ratio": "Open-circuit voltage against its peers",
    "fill_factor_ratio": "Fill factor against its peers",
    "finding": "What the string shows",
    "confidence": "Probability that a fault (not soil, not shade) is there, 0 to 1",
}
DOWNTIME = {
    "site_id": "Site",
    "inverter_id": "Inverter",
    "start": "Start of the spell, site time with offset; breaks of half an hour or less are within it",
    "end": "End of the spell, exclusive",
    "cause": "Why; clipping is no loss",
    "energy_kwh": "Energy not made in the spell [kWh]",
}
WORK_LIST = {
    "rank": "Order: safety first, then jobs chosen within the budget by payback, then the others",
    "job_id": "Job",
    "site_id": "Site",
    "job_kind": "What is to be done",
    "cause": "Which loss it mends",
    "scope": "Where: the site, or identifiers of inverters or strings",
    "due_from": "Earliest sensible date",
    "due_to": "Latest sensible date",
    "gain_kwh_per_year": "Energy won back over the coming twelve months in usual weather [kWh]",
    "gain_low_kwh_per_year": f"Low end of the {INTERVAL} [kWh]",
    "gain_high_kwh_per_year": f"High end of the {INTERVAL} [kWh]",
    "gain_per_year": "Money won back over the coming twelve months",
    "cost": "Cost with the job's share of its visit",
    "cost_alone": "Cost if the visit were made for this job alone",
    "payback_months": "Months until the cost is back; blank if never",
    "payback_low_months": f"Quick end of the {INTERVAL} [months]",
    "payback_high_months": f"Slow end of the {INTERVAL}; blank if never [months]",
    "npv": "Net present value over the portfolio's horizon",
    "chosen": "Whether the job is within this year's budget and worth doing",
    "confidence": "Probability that the loss to be mended is there, 0 to 1",
    "caution": "What to watch for, people's safety first",
}
SET_ASIDE = {
    "file": "File",
    "line": "Line",
    "column": "Column",
    "value": "What stood there",
    "reason": "Why the row was not used",
}

PLAN = {
    "row": "visit, job (of the visit above it) or left_out (of the plan)",
    "visit_id": "Visit, in order of its week",
    "week": "Weeks after the as-of date",
    "start": "First day of that week; for a job left out, of the week that would suit it best",
    "site_id": "Site",
    "crew": "Which crew",
    "job_id": "Job",
    "job_kind": "What is to be done",
    "scope": "Where: the site, or identifiers of inverters or strings",
    "turn": "For work that recurs, which of its turns in the year",
    "safety": "Whether it must be made safe whatever it returns",
    "crew_hours": "Crew hours; of a visit all of them, of a job its own",
    "crew_days": "The same in days of 8 hours",
    "cost": "Of a visit all of it, of a job its own units, of a job left out what it would add to the plan",
    "gain": "Present value of what it returns within the horizon, from its week on; of a turn, until the next one",
    "gain_low": f"Low end of the {INTERVAL}",
    "gain_high": f"High end of the {INTERVAL}",
    "net": "Gain less cost",
    "needs_budget": "Money beyond the works budget that would carry it on top of the plan; blank if it would not pay",
    "needs_crew_days": "Crew days beyond the limit that would carry it on top of the plan; blank if it would not pay",
    "needs_gain": "How much more it would have to return to enter the plan, by planning anew with it; blank if not worked out",
    "why": "Why it was left out, and what would bring it in",
    "caution": "What to watch for, people's safety first",
}
WAITING = {
    "site_id": "Site",
    "job_id": "Job",
    "week": "Weeks after the as-of date",
    "start": "First day of that week",
    "gain": "Present value of what the job returns within the horizon if done in that week, before its cost",
    "low": f"Low end of the {INTERVAL}",
    "high": f"High end of the {INTERVAL}",
    "allowed": "Whether it can be done in that week",
    "why_not": "What forbids it",
}

#: Every table of the contract that the tool writes, by file stem.
TABLES = {
    "yields": YIELDS,
    "losses": LOSSES,
    "string_findings": STRING_FINDINGS,
    "downtime": DOWNTIME,
    "work_list": WORK_LIST,
    "set_aside": SET_ASIDE,
    "plan": PLAN,
    "waiting": WAITING,
}

#: Columns that the work list may carry beyond the contract's.
WORK_LIST_EXTRAS = {
    "why": "Why the job is on the list, with figures",
    "comes_back": "How the loss returns after the job",
    "verdict": "What was decided and why; for a job turned down, the figure that would change it",
    "gain_low_per_year": f"Low end of the {INTERVAL} of the money won back",
    "gain_high_per_year": f"High end of the {INTERVAL} of the money won back",
    "safety": "Whether it must be made safe whatever it returns",
    "chance_of_payback": "Chance that the job pays back within the portfolio's horizon, 0 to 1",
    "npv_expected": "Net present value at the mean of the gain instead of its middle",
    "crew": "Which crew",
    "crew_hours": "Crew hours",
    "cost_units": "Cost of the job's own units, without a visit",
    "npv_low": f"Low end of the {INTERVAL} of the net present value",
    "npv_high": f"High end of the {INTERVAL} of the net present value",
    "life_months": "For how long the job returns something: until a wash or cut has faded, else to the planned end of the farm",
    "gain_over_life": "Present value of what it returns in that time",
    "benefit_cost": "For washing and cutting, gain over life by cost; blank for other work",
    "best_start": "First day of the week in which it would be best done, of those that allow it",
    "latest_start": "First day of the last week in the coming year in which it would still pay",
    "npv_best_start": "Net present value if done in the best week",
    "delay_cost_per_week": "What each week's delay after the best one costs, mean over four weeks",
    "delay_cost_low_per_week": f"Low end of the {INTERVAL}",
    "delay_cost_high_per_week": f"High end of the {INTERVAL}",
    "options": "Doing nothing, doing it soon and waiting, with figures",
    "planned_start": "First day of the week in which the plan has it; blank if it has not",
}

#: Identifiers keep their exact text, so that tables can be joined on them. The contract's rule for
#: identifiers (letters, digits, - _ .) already leaves no formula to be read into one.
IDENTIFIERS = frozenset({"site_id", "string_id", "inverter_id", "job_id", "month"})
