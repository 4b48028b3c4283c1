"""
Yields, performance ratios, availability, and the exact split of a change among factors.

The ratios take a value a period. NaN stays NaN, and the two ratios that sum over records say how
they treat a record that lacks a value.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from yieldwatch.constants import IRRADIANCE_STC, TEMP_STC
from yieldwatch.errors import InputError

Values: TypeAlias = float | np.ndarray | pd.Series


def _same_index(**values: Values) -> None:
    """Series are aligned by label by pandas, which would turn a shifted index into quiet NaN."""
    series = {name: v for name, v in values.items() if isinstance(v, pd.Series)}
    first = next(iter(series), None)
    for name, v in series.items():
        if first is not None and not v.index.equals(series[first].index):
            raise InputError(
                f"{name}: its index differs from that of {first}. Expected the same periods. "
                "Reindex one to the other."
            )


def _positive(**values: float) -> None:
    for name, v in values.items():
        if not v > 0:
            raise InputError(f"{name} = {v}, not above zero. Expected a positive nameplate value.")


def reference_yield(insolation_poa_kwh_m2: Values) -> Values:
    """
    Hours at 1 kW/m² that hold the same light.

    Parameters
    ----------
    insolation_poa_kwh_m2 : float, ndarray or Series
        Plane-of-array insolation. [kWh/m²]

    Returns
    -------
    same shape
        [h]

    References
    ----------
    .. [1] IEC 61724-1, Photovoltaic system performance - Part 1: Monitoring.
    """
    return insolation_poa_kwh_m2 / (IRRADIANCE_STC / 1000.0)


def final_yield(energy_ac_kwh: Values, pdc0_kw: float) -> Values:
    """
    Hours at nameplate power that give the same energy (IEC 61724-1).

    Parameters
    ----------
    energy_ac_kwh : float, ndarray or Series
        AC energy at the meter. [kWh]
    pdc0_kw : float
        DC nameplate at standard test conditions, > 0. [kW]

    Returns
    -------
    same shape
        [h], which is [kWh/kW]

    Raises
    ------
    InputError
        If `pdc0_kw` is not positive.
    """
    _positive(pdc0_kw=pdc0_kw)
    return energy_ac_kwh / pdc0_kw


def performance_ratio(energy_ac_kwh: Values, insolation_poa_kwh_m2: Values, pdc0_kw: float) -> Values:
    """
    Share of nameplate energy that reached the meter (IEC 61724-1).

    Parameters
    ----------
    energy_ac_kwh : float, ndarray or Series, shape (n_periods,)
        AC energy at the meter per period; NaN where it is not known. [kWh]
    insolation_poa_kwh_m2 : same shape and index
        Plane-of-array insolation over the same period. [kWh/m²]
    pdc0_kw : float
        DC nameplate at standard test conditions, > 0. [kW]

    Returns
    -------
    same shape
        Final yield over reference yield; NaN where either is NaN or there was no light. [unitless]

    Raises
    ------
    InputError
        If the indexes differ or `pdc0_kw` is not positive.

    Notes
    -----
    Not temperature-corrected: do not compare a July with a January value.
    """
    _same_index(energy_ac_kwh=energy_ac_kwh, insolation_poa_kwh_m2=insolation_poa_kwh_m2)
    return final_yield(energy_ac_kwh, pdc0_kw) / _nan_where_zero(reference_yield(insolation_poa_kwh_m2))


def performance_ratio_temp_corrected(
    energy_ac_kwh: Values,
    insolation_poa_kwh_m2: Values,
    temp_cell: Values,
    pdc0_kw: float,
    gamma_pct_per_c: float,
    temp_reference: float = TEMP_STC,
) -> float:
    """
    Performance ratio of a span of records, brought to one cell temperature.

    With the default this is the temperature-corrected ratio of IEC 61724-1 [1]_. With
    `temp_reference` from `typical_cell_temperature` it is the weather-corrected ratio [2]_, which
    over a typical year equals the plain one and is what a guarantee can be held to in any season.

    Parameters
    ----------
    energy_ac_kwh : ndarray or Series of shape (n_records,), or float
        AC energy of each record, or one total for the whole span. [kWh]
    insolation_poa_kwh_m2 : ndarray or Series, shape (n_records,)
        Plane-of-array insolation of each record. [kWh/m²]
    temp_cell : ndarray or Series, shape (n_records,)
        Cell temperature; where the record has no light it may be NaN. [°C]
    pdc0_kw : float
        DC nameplate at standard test conditions, > 0. [kW]
    gamma_pct_per_c : float
        Temperature coefficient of power, negative. [%/°C]
    temp_reference : float, default 25
        [°C]

    Returns
    -------
    float
        [unitless]. With energy per record, a record that lacks any value is left out of both sums.
        With one total, a record with light that lacks a value makes the result NaN, because its
        energy is in the total. NaN where no record is left.

    Raises
    ------
    InputError
        If the indexes differ or `pdc0_kw` is not positive.

    References
    ----------
    .. [1] IEC 61724-1, Photovoltaic system performance - Part 1: Monitoring.
    .. [2] T. Dierauf et al., "Weather-Corrected Performance Ratio", NREL/TP-5200-57991, 2013,
       :doi:`10.2172/1078057`
    """
    _positive(pdc0_kw=pdc0_kw)
    _same_index(energy_ac_kwh=energy_ac_kwh, insolation_poa_kwh_m2=insolation_poa_kwh_m2, temp_cell=temp_cell)
    insolation = np.asarray(insolation_poa_kwh_m2, dtype=float)
    correction = 1.0 + gamma_pct_per_c / 100.0 * (np.asarray(temp_cell, dtype=float) - temp_reference)
    yields = np.where(insolation == 0, 0.0, reference_yield(insolation) * correction)
    energy = np.asarray(energy_ac_kwh, dtype=float)
    if energy.ndim:
        both = np.isfinite(energy) & np.isfinite(yields)
        energy, yields = energy[both], yields[both]
    possible = pdc0_kw * yields.sum()
    return float(energy.sum() / possible) if possible > 0 else float("nan")


def typical_cell_temperature(insolation_poa_kwh_m2: Values, temp_cell: Values) -> float:
    """
    Mean cell temperature weighted by light, over a typical year (Dierauf et al. 2013).

    Parameters
    ----------
    insolation_poa_kwh_m2, temp_cell : ndarray or Series, shape (n_records,)
        [kWh/m²] or any irradiance; [°C]. A record that lacks either is left out.

    Returns
    -------
    float
        [°C]; NaN where there is no light.
    """
    _same_index(insolation_poa_kwh_m2=insolation_poa_kwh_m2, temp_cell=temp_cell)
    light, temp = np.asarray(insolation_poa_kwh_m2, dtype=float), np.asarray(temp_cell, dtype=float)
    both = np.isfinite(light) & np.isfinite(temp)
    total = light[both].sum()
    return float((light[both] * temp[both]).sum() / total) if total > 0 else float("nan")


def energy_availability(outage_kwh: Values, expected_kwh: Values) -> Values:
    """
    One less the share of the expected energy that outages took (the idea of IEC TS 63019).

    Parameters
    ----------
    outage_kwh, expected_kwh : float, ndarray or Series
        [kWh]

    Returns
    -------
    same shape
        [unitless]; NaN where either is NaN or nothing was expected.
    """
    _same_index(outage_kwh=outage_kwh, expected_kwh=expected_kwh)
    return 1.0 - outage_kwh / _nan_where_zero(expected_kwh)


def log_mean(a: ArrayLike, b: ArrayLike) -> np.ndarray:
    """
    Logarithmic mean, (a - b) / (ln a - ln b), with its limits a where a = b and 0 where one is 0.

    Parameters
    ----------
    a, b : array_like
        Not negative.

    Returns
    -------
    ndarray
    """
    a, b = np.broadcast_arrays(np.asarray(a, dtype=float), np.asarray(b, dtype=float))
    with np.errstate(divide="ignore", invalid="ignore"):
        # log1p keeps the digits that ln a - ln b loses where a and b are nearly the same.
        mean = (a - b) / np.log1p((a - b) / b)
    mean = np.where(a == b, a, mean)
    return np.where(np.minimum(a, b) == 0, 0.0, mean)


def log_mean_split(before: Mapping[str, ArrayLike], after: Mapping[str, ArrayLike]) -> dict[str, float]:
    """
    Split the change of a sum of products among the factors, leaving no remainder.

    Additive log-mean Divisia index, LMDI-I [1]_: the effect of factor x is the sum over parts of
    L(V_after, V_before) ln(x_after / x_before), V being the product of the factors.

    Parameters
    ----------
    before, after : mapping of str to array_like, shape (n_parts,) or scalar
        The factors, with the same names in both; not negative. NaN makes every effect NaN.

    Returns
    -------
    dict of str to float
        Effect of each factor, in the unit of the product; they add up to its change.

    Raises
    ------
    InputError
        If the names differ or a factor is negative.

    Notes
    -----
    Where a factor is zero on one side only, the limit gives it the part's whole change; where several
    are, they share it evenly, as if they went to zero together.

    References
    ----------
    .. [1] B. W. Ang, "The LMDI approach to decomposition analysis: a practical guide", Energy Policy
       33 (2005) 867-871, :doi:`10.1016/j.enpol.2003.10.010`
    """
    names = list(before)
    if set(names) != set(after):
        raise InputError(f"factors {sorted(before)} and {sorted(after)} differ. Expected the same names.")
    b = np.stack(np.broadcast_arrays(*[np.atleast_1d(np.asarray(before[n], dtype=float)) for n in names]))
    a = np.stack(np.broadcast_arrays(*[np.atleast_1d(np.asarray(after[n], dtype=float)) for n in names]))
    if (a < 0).any() or (b < 0).any():
        raise InputError("a factor is below zero, where its logarithm has no meaning. Expected zero or more.")
    v_b, v_a = b.prod(axis=0), a.prod(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        effects = log_mean(v_a, v_b) * np.log(a / b)
    one_sided = (a == 0) != (b == 0)
    share = one_sided / np.maximum(one_sided.sum(axis=0), 1)
    vanished = (v_a == 0) | (v_b == 0)
    effects = np.where(vanished, share * (v_a - v_b), effects)
    return dict(zip(names, effects.sum(axis=1).tolist(), strict=True))


def _nan_where_zero(values: Values) -> Values:
    if isinstance(values, pd.Series):
        return values.where(values != 0)
    out = np.where(np.asarray(values) == 0, np.nan, values)
    return out if out.ndim else float(out)
