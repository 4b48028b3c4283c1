"""
Why each cause has the size it has: one record a cause, with the readings, the pattern, the rivals and what would change it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from yieldwatch.constants import CAUSES
from yieldwatch.gap.basis import Basis
from yieldwatch.gap.energy_draws import open_output, rivals
from yieldwatch.gap.patterns import light, parts, whole
from yieldwatch.gap.patterns.window import Told, Window
from yieldwatch.gap.readings_used import readings_of
from yieldwatch.gap.why import Rival, Turn, Why

#: Last months of the reported period that the records are about.
MOST_MONTHS = 12
#: Energy below this share of expected that moves to a rival is not told. Common practice, no source.
_WORTH_A_WORD = 0.0005
#: Causes that all inverters share, as they share an error of the light sensor.
_LIKE_THE_SENSOR = ("soiling", "degradation", "unexplained")
#: Errors of the light below this are not worth a word. [%] Common practice, no source.
_LEAST_ERROR_PCT = 0.05
#: Below this an energy is none. [kWh]
_NIL_KWH = 0.5
_UNMEASURED = "Nothing measured these months."

#: One row a cause: how its pattern is told.
TELLERS: dict[str, Callable[[Window], Told]] = {
    "soiling": light.soiling,
    "shading": light.shading,
    "snow": light.snow,
    "string_fault": parts.string_fault,
    "inverter_efficiency": parts.inverter_efficiency,
    "inverter_outage": parts.inverter_outage,
    "grid_outage": parts.grid_outage,
    "curtailment": parts.curtailment,
    "reactive_power": parts.reactive_power,
    "degradation": whole.degradation,
    "unexplained": whole.unexplained,
}


def site_why(
    window: Window,
    basis: dict[str, Basis],
    energy: dict[str, np.ndarray],
    draws: dict[str, np.ndarray],
    moved: dict[str, np.ndarray],
) -> tuple[Why, ...]:
    """
    The record of every cause, those that could not be assessed included.

    Parameters
    ----------
    window : Window
    basis : dict of str to Basis
        Of every cause but the unexplained.
    energy : dict of str to ndarray, shape (n_months,)
        Estimates over the window's months, of the causes told and of "unexplained"; NaN in months without a value. [kWh]
    draws : dict of str to ndarray, shape (n_draws, n_months)
        The same by draw.
    moved : dict of str to ndarray, shape (n_draws, n_months)
        From `yieldwatch.gap.energy_draws.moved_energy`.
    """
    by_draw = {name: values.sum(axis=1) for name, values in moved.items()}
    return tuple(_why(window, cause, basis.get(cause), energy.get(cause), draws.get(cause), by_draw) for cause in CAUSES)


def _why(
    window: Window,
    cause: str,
    basis: Basis | None,
    energy: np.ndarray | None,
    draws: np.ndarray | None,
    by_draw: dict[str, np.ndarray],
) -> Why:
    first, last = window.months[0], window.months[-1]
    if energy is None or draws is None or not np.isfinite(energy).any():
        why_not = basis.why_not if basis is not None else _UNMEASURED
        return Why(cause, "not_assessed", first, last, np.nan, np.nan, np.nan, np.nan, why_not=why_not)
    known = np.isfinite(energy)
    value = float(energy[known].sum())
    ends = np.quantile(draws[:, known].sum(axis=1), (0.05, 0.95))
    low, high = min(float(ends[0]), value), max(float(ends[1]), value)
    told = TELLERS[cause](window)
    found = rivals(cause, by_draw, _WORTH_A_WORD * window.expected_kwh)
    return Why(
        cause=cause,
        basis=basis.basis if basis is not None else "measured",
        from_month=first,
        to_month=last,
        energy_kwh=value,
        low_kwh=low,
        high_kwh=high,
        share=value / window.expected_kwh,
        readings=readings_of(cause, window.state, window.data),
        pattern=told.pattern,
        figures=told.figures,
        rivals=found,
        looks_like=told.looks_like,
        settle=told.settle,
        turns=(*_nil(value, low, high), *_light_sensor(window, cause, value, found), *told.turns),
        why_not=basis.why_not if basis is not None else "",
    )


def _nil(value: float, low: float, high: float) -> tuple[Turn, ...]:
    """How far nil is from the interval."""
    if abs(value) < _NIL_KWH:
        unseen = f"; up to {high:,.0f} kWh may have gone unseen" if high >= _NIL_KWH else ""
        return (Turn("interval end", high, "kWh", f"Nothing was found{unseen}."),)
    if low <= 0.0 <= high:
        return (Turn("distance to nil", 0.0, "kWh", "The 90 % interval reaches nil: it may be nothing."),)
    near = abs(value - (low if value > 0 else high))
    says = f"To be nothing it would have to be wrong by {abs(value):,.0f} kWh"
    says += f"; the near end of its interval is {near:,.0f} kWh away." if near > 0.5 else "."
    return (Turn("distance to nil", abs(value), "kWh", says),)


def _light_sensor(window: Window, cause: str, value: float, found: tuple[Rival, ...]) -> tuple[Turn, ...]:
    """What constant error of the light would look like the whole of a cause, where it would."""
    name = "error of the light sensor"
    if abs(value) < _NIL_KWH or (cause not in _LIKE_THE_SENSOR and any(r.name == "light_sensor" for r in found)):
        # A cause with a pattern of its own that trades off all the same: its rivals say how far.
        return ()
    if cause not in _LIKE_THE_SENSOR:
        says = "A constant error of the light sensor does not make this pattern; it scales the energy, by 1 % for each 1 %."
        return (Turn(name, None, "%", says),)
    share = window.state.blocks.total(np.where(window.inside, 1.0, 0.0)) / np.maximum(np.bincount(window.state.blocks.of), 1)
    moves = float((open_output(window.state, window.split) * share).sum())
    error = 100.0 * value / moves if moves > 0 else 0.0
    if abs(error) < _LEAST_ERROR_PCT:
        return ()
    way = "high" if error > 0 else "low"
    return (Turn(name, error, "%", f"A light sensor that reads {abs(error):.1f} % too {way} all the time makes as much."),)
