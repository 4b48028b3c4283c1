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
    "light_correction_pct": "What the expected energy holds more than the weather's light as read, for the light's own bias [%]",
    "log_late_min": "By how much the stamps of the inverters' log were late (early where negative) and were moved, mean over the "
    "month [min]",
    "weather_late_min": "The same of the weather's stamps [min]",
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
STATEMENT_CHECKS = {
    "site_id": "Site",
    "start": "First day that is settled, site time",
    "end": "Day after the last",
    "reference": "Number of the statement",
    "verdict": "agrees, energy_differs, price_differs, energy_and_price_differ, duplicate, overlap, missing or not_checked",
    "energy_kwh": "Energy settled [kWh]",
    "meter_kwh": "Energy by the revenue meter; blank where it does not cover the period [kWh]",
    "energy_difference_kwh": "Settled less metered; below zero is energy not paid for [kWh]",
    "energy_tolerance_kwh": "Difference that two meters may have [kWh]",
    "amount": "Money settled",
    "amount_due": "The metered energy at each interval's price; blank where a price is missing",
    "amount_difference": "Settled less due; below zero is money missing",
    "due_to_energy": "Part of it that the other energy explains",
    "due_to_price": "Part of it that another price explains",
    "amount_tolerance": "Difference that rounding, or a meter coarser than the price, may make",
    "note": "What to do, or why it could not be checked",
}
BRIDGE = {
    "site_id": "Site",
    "span": "month (the last measured), year_to_date or twelve_months",
    "from_month": "First month, YYYY-MM",
    "to_month": "Last month, YYYY-MM",
    "months": "How many measured months are in it",
    "place": "Order of the steps, which is part of the answer",
    "step": "budget, the steps, unexplained, actual_energy, price_and_shape, compensation, actual_revenue, settlement, paid",
    "energy_kwh": "Energy of the step; below zero took it away [kWh]",
    "energy_low_kwh": f"Low end of the {INTERVAL} [kWh]",
    "energy_high_kwh": f"High end of the {INTERVAL} [kWh]",
    "money": "The same at the planned price, or at the price that came where the plan has none",
    "money_low": f"Low end of the {INTERVAL}",
    "money_high": f"High end of the {INTERVAL}",
    "note": "What the step holds, and what the plan lacks",
}
RETURNS = {
    "site_id": "Site",
    "measure": "What is measured; loss_* rows are one for each cause",
    "cause": "Which loss, in rows of losses",
    "value": "Value",
    "low": f"Low end of the {INTERVAL}",
    "high": f"High end of the {INTERVAL}",
    "unit": "Unit",
    "plan": "The same by the plan; blank where the plan lacks what it needs",
    "note": "Period and basis",
}
CLAIMS = {
    "site_id": "Site",
    "payer": "owner, maintenance_contractor, module_maker, inverter_maker, insurer or network",
    "ground": "On what ground; a cause or job for what is the owner's own",
    "subject": "What it is about: the site, strings, an inverter, an event or a job",
    "period_from": "First day",
    "period_to": "Day after the last",
    "energy_kwh": "Energy it is about [kWh]",
    "amount": "Money it is about; not to be added over payers",
    "amount_low": f"Low end of the {INTERVAL}",
    "amount_high": f"High end of the {INTERVAL}",
    "state": "claim (the figures show it), watch (may become one), ask (the contract decides), none, or own",
    "deadline": "Day until which it can be asked for; the contract's own term wins",
    "reason": "Why, with figures",
    "evidence": "What to send",
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
    "statement_checks": STATEMENT_CHECKS,
    "bridge": BRIDGE,
    "returns": RETURNS,
    "claims": CLAIMS,
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
    "job_ref": "Its number in the job book",
    "job_state": "Where it stands by the job book",
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

#: `evidence.json`: the keys of each kind of object in it, from the document down.
EVIDENCE = {
    "document": {
        "format": "Version of this file's format, 1",
        "portfolio": "Name of the portfolio",
        "as_of": "Date at which the history ends",
        "sites": "One object a site",
    },
    "site": {
        "site_id": "Site",
        "name": "The site's name",
        "causes": "One object a cause, in the order of the tables",
    },
    "cause": {
        "cause": "Where the energy went",
        "basis": "measured, prior or not_assessed, as in losses.csv",
        "from_month": "First month of the energy, YYYY-MM: of the last twelve reported",
        "to_month": "Last month of the energy",
        "energy_kwh": "Energy lost to the cause in these months; null where not assessed [kWh]",
        "low_kwh": f"Low end of the {INTERVAL} [kWh]",
        "high_kwh": f"High end of the {INTERVAL} [kWh]",
        "share": "Share of the energy expected in these months",
        "readings": "What it rests on; one object a kind of reading",
        "pattern": "What the readings show, in sentences",
        "figures": "The pattern as numbers; one object a number",
        "rivals": "What its energy trades off with; empty for causes that are read off and not inferred",
        "looks_like": "What else makes such a pattern",
        "settle": "The measurement that would decide",
        "turns": "What it would take to change the answer",
        "why_not": "Why it could not be assessed, or by a prior only",
    },
    "reading": {
        "what": "Kind of reading",
        "count": "How many the history holds",
        "unit": "What is counted",
        "first": "Day of the first, site time",
        "last": "Day of the last",
    },
    "figure": {
        "name": "What it is",
        "value": "Its value",
        "unit": "Its unit",
        "low": f"Low end of the {INTERVAL}; null where it is counted or read",
        "high": f"High end of the {INTERVAL}",
        "where": "Inverter, string, month or bearing; empty for the site",
        "note": "More about it",
    },
    "rival": {
        "name": "A cause, or light_sensor, model, inverter_level, round_sensor, which are nobody's loss",
        "correlation": "Of the two energies by draw of the posterior; negative where what one has less the other has more",
        "moves_kwh": "How far the cause's energy moves as the rival goes from its middle to an end of its interval [kWh]",
    },
    "turn": {
        "name": "What would change",
        "value": "By how much; null where nothing of this kind would",
        "unit": "Its unit",
        "says": "The same as a sentence",
    },
}

#: Identifiers keep their exact text, so that tables can be joined on them. The contract's rule for
#: identifiers (letters, digits, - _ .) already leaves no formula to be read into one.
IDENTIFIERS = frozenset({"site_id", "string_id", "inverter_id", "job_id", "month"})
