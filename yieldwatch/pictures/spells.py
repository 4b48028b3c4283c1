"""
Energy not made while something was off or held down, by day and hour of site time.
"""

from __future__ import annotations

from collections.abc import Iterator

from yieldwatch.pictures.base import Picture, Subject, rounded

CAUSES = ("inverter_outage", "grid_outage", "curtailment")
#: Energy of an hour below which it is not written, as a share of the cause's largest. The hours then add up to within 0.1 %.
_LEAST = 1e-4


def prepare(subject: Subject) -> Iterator[Picture]:
    """One picture a cause that took anything: the hours in which it did [kWh]; all other hours are nil."""
    intervals = subject.gap.intervals
    if intervals.empty:
        return
    local = intervals.index.tz_convert(subject.site.tz)
    day, hour = local.strftime("%Y-%m-%d"), local.hour
    for cause in CAUSES:
        if cause not in intervals or not intervals[cause].notna().any():
            continue
        energy = intervals[cause].groupby([day, hour]).sum()
        energy = energy[energy.abs() > _LEAST * energy.abs().max()]
        yield Picture(
            "spells",
            cause,
            {
                "day": list(energy.index.get_level_values(0)),
                "hour": [int(h) for h in energy.index.get_level_values(1)],
                "energy_kwh": rounded(energy, 3),
            },
            {"unit": "kWh", "from": day[0], "to": day[-1]},
        )
