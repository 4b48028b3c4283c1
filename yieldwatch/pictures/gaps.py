"""
What each gap in the data costs in certainty, over the last twelve reported months.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from yieldwatch.gap.basis import causes_basis, exposed
from yieldwatch.gap.energy_draws import NOT_LOSSES
from yieldwatch.pictures.base import Picture, Subject, rounded

_MONTHS = 12
#: Standard deviations from the middle to an end of a 90 % interval.
_TO_THE_END = 1.645


def prepare(subject: Subject) -> Iterator[Picture]:
    """
    One picture, a row a gap and cause: what the gap is, and the energy by which it widens the cause's interval, or that it
    leaves without any account (then `cause` is empty) [kWh].

    Kinds: `not_measured`, months' energy that nothing measured; `filled`, that fills gaps of the log; `light_modelled`, expected
    in light that was modelled; `unseen`, what may be there and the data at hand cannot show; `form`, that how the cause acts is
    only about right; and what trades off with the cause and is nobody's loss.
    """
    yields = subject.gap.yields.tail(_MONTHS)
    months = list(yields["month"])
    expected = float(yields["expected_kwh"].sum())
    rows: list[tuple[str, str, float]] = []
    nothing = float(yields.loc[yields["measured_kwh"].isna(), "expected_kwh"].sum())
    rows += [
        ("not_measured", "", nothing),
        ("filled", "", float(yields["estimated_kwh"].sum())),
        ("light_modelled", "", _in_modelled_light(subject, months)),
    ]
    basis, there = causes_basis(subject.state, subject.data), _exposed(subject, months)
    for why in subject.gap.evidence:
        if why.cause in basis and why.assessed:
            told = basis[why.cause]
            rows.append(("unseen", why.cause, told.missed * there.get(why.cause, expected)))
            rows.append(("form", why.cause, _TO_THE_END * told.blurred * abs(why.energy_kwh)))
        rows += [(r.name, why.cause, abs(r.moves_kwh)) for r in why.rivals if r.name in NOT_LOSSES]
    kept = [r for r in rows if np.isfinite(r[2]) and r[2] > 0.0]
    yield Picture(
        "gaps",
        "",
        {"gap": [r[0] for r in kept], "cause": [r[1] for r in kept], "energy_kwh": rounded((r[2] for r in kept), 1)},
        {"unit": "kWh", "from_month": months[0], "to_month": months[-1], "expected_kwh": expected},
    )


def _in_modelled_light(subject: Subject, months: list[str]) -> float:
    """Expected energy of intervals whose light or air temperature was modelled. [kWh]"""
    model, expected = subject.state.model, subject.gap.intervals["expected_kwh"]
    modelled = model.times[model.weather.modelled[model.at]]
    return _within(subject, expected[expected.index.isin(modelled)], months)


def _exposed(subject: Subject, months: list[str]) -> dict[str, float]:
    """Expected energy in which a cause may be unseen, of causes that act on some days alone; spread evenly over inverters."""
    times, n = subject.state.model.times, len(subject.site.inverters)
    each = np.tile(subject.gap.intervals["expected_kwh"].reindex(times).fillna(0.0).to_numpy(float) / n, (n, 1))
    return {cause: _within(subject, pd.Series(energy.sum(axis=0), index=times), months)
            for cause, energy in exposed(subject.state, each).items()}


def _within(subject: Subject, energy: pd.Series, months: list[str]) -> float:
    """Sum of a series over months of site time. [kWh]"""
    return float(energy[energy.index.tz_convert(subject.site.tz).strftime("%Y-%m").isin(months)].sum())
