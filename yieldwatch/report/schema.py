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

#: Every table of the contract that the tool writes, by file stem.
TABLES = {
    "yields": YIELDS,
    "losses": LOSSES,
    "string_findings": STRING_FINDINGS,
    "downtime": DOWNTIME,
    "work_list": WORK_LIST,
    "set_aside": SET_ASIDE,
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
    "job_ref": "Its number in the job book",
    "job_state": "Where it stands by the job book",
    "cost_units": "How many of the units of job_costs.csv the job takes",
}

#: Identifiers keep their exact text, so that tables can be joined on them. The contract's rule for
#: identifiers (letters, digits, - _ .) already leaves no formula to be read into one.
IDENTIFIERS = frozenset({"site_id", "string_id", "inverter_id", "job_id", "month"})
