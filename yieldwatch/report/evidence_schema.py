"""
The keys of `evidence.json`, in order, and what each means.
"""

from __future__ import annotations

from yieldwatch.report.schema import INTERVAL

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
