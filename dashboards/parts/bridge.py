"""
The bridge from plan to actual as a picture.
"""

from __future__ import annotations

import textwrap

from dashboards.parts.charts import COLOURS, interval, layout
from yieldwatch.report.money import STEP_WORDS
from yieldwatch.report.totals import IN_HAND_PARTS
from yieldwatch.report.words import EnergyUnit, cause_word

#: Steps of the bridge that stand for a whole and not for a change.
WHOLES = ("budget", "actual_energy", "actual_revenue", "paid")


def step_name(step: str) -> str:
    """A step of the bridge in words."""
    return STEP_WORDS.get(step) or cause_word(step)


def waterfall(rows: list[dict], unit: EnergyUnit, in_money: bool, currency: str) -> tuple[list[dict], dict]:
    """Traces and layout of steps from whole to whole, from the rows of a summed bridge."""
    key, factor = ("money", 1.0) if in_money else ("energy_kwh", unit.per_kwh)
    wholes = ("budget", "actual_revenue", "paid") if in_money else ("budget", "actual_energy")
    steps = [r for r in rows if r[key] is not None and (r["step"] in wholes or r["step"] not in WHOLES)]
    base, at, sizes, colours, patterns, lows, highs, names = [], 0.0, [], [], [], [], [], []
    for row in steps:
        value = row[key] * factor
        whole = row["step"] in wholes
        if not whole and abs(row[key]) < 1e-9:
            continue
        base.append(0.0 if whole else at)
        at = value if whole else at + value
        sizes.append(value)
        names.append("<br>".join(textwrap.wrap(step_name(row["step"]), 30)))
        mine = row["step"] in IN_HAND_PARTS
        colours.append(COLOURS["grey"] if whole else COLOURS["orange"] if mine else COLOURS["blue"])
        patterns.append("" if whole else "/" if mine else "")
        low, high = (row[name] for name in (("money_low", "money_high") if in_money else ("energy_low_kwh", "energy_high_kwh")))
        lows.append(None if low is None else low * factor)
        highs.append(None if high is None else high * factor)
    marks, in_words = interval(sizes, lows, highs), currency if in_money else unit.name
    # The wholes are cut off below, since the steps would else be too small to see.
    edges = [e for b, s in zip(base, sizes, strict=True) for e in (b, b + s) if e]
    first, last = min(edges, default=0.0), max(edges, default=1.0)
    bars = {"type": "bar", "orientation": "h", "y": names, "x": sizes, "base": base, "error_x": marks, "showlegend": False,
            "marker": {"color": colours, "pattern": {"shape": patterns, "size": 6}},
            "customdata": sizes,
            "hovertemplate": f"%{{y}}: %{{customdata:,.{0 if in_money else unit.decimals}f}} {in_words}<extra></extra>"}
    keys = [{"type": "bar", "orientation": "h", "y": [None], "x": [None], "name": name,
             "marker": {"color": COLOURS[colour], "pattern": {"shape": shape}}}
            for name, colour, shape in (("in our hands", "orange", "/"), ("not in our hands", "blue", ""), ("whole", "grey", ""))]
    shown = [max(0.0, first - 0.6 * (last - first)), last + 0.25 * (last - first)]
    return [bars, *keys], layout(x=in_words, height=70 + 38 * len(names), barmode="overlay",
                                 yaxis={"autorange": "reversed"}, xaxis={"range": shown})
