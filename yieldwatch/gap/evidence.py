"""
Evidence other than the log, as rows for the inference: the meter's periods and the IV rounds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import sparse

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.infer import Rows
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.level import LIGHT_BIAS, PLATE, light_from_service
from yieldwatch.gap.rounds import number_rounds
from yieldwatch.gap.sheet_clocks import at_right_time, minutes_late, weather_around

#: Noise of a month's energy against modelled weather, beyond its constant bias. Common practice, no source.
_METER_SIGMA = 0.015
#: Bias of a round's light sensor, shared by all its strings (tester's reference cell 2 to 5 %, k=2; common figures).
_ROUND_BIAS = 0.02
#: One string's power beyond that bias: makers' spread and the tracer's own noise. Common figures.
_STRING_SIGMA = 0.018
#: Sound strings of an inverter from which it has a row of its own: of two, nobody knows which is odd. Common practice, no source.
_FEWEST_STRINGS = 3
#: A visit's light against the weather's of the interval, beyond both constant biases: another spot under the sky, and a moment
#: against a mean. A service's weather, from far off, is worse. Common practice, no source.
_LIGHT_SIGMA_MEASURED, _LIGHT_SIGMA_MODELLED = 0.025, 0.04
#: Light from which it is compared, steadiness of the weather's three intervals around it, and the difference, in logarithms,
#: beyond which a cloud stood over one of the two. [W/m²]
_LEAST_LIGHT, _STEADY, _SAME_SKY = 400.0, 1.35, 0.15


def meter_rows(blocks: Blocks, design: sparse.csr_matrix, meter: pd.DataFrame | None, running: np.ndarray,
               doubt: np.ndarray, near: np.ndarray) -> list[Rows]:
    """
    One row for each meter period (periods within a day are first added up to the day).

    Parameters
    ----------
    running : ndarray, shape (n_inverters, n_blocks)
        Share of each block's expected energy that was not taken by outages, snow and limits already known.
    doubt : ndarray, same shape
        Standard uncertainty of `running`, shared by all blocks of a period.
    near : ndarray, shape (n_columns,)
        Values of the unknowns near which the sum over inverters is taken as linear: where half of one inverter is dead, the
        mean of the logarithms is far from the logarithm of the mean.
    """
    periods = meter_by_day(blocks, meter)
    if periods is None:
        return []
    whole = blocks.expected * np.exp(-(design @ near)).reshape(running.shape)
    energy = whole * running
    rows, values, weights, relative, days = [], [], [], [], []
    n_inverters, n_blocks = energy.shape
    for first, last, measured in periods:
        here = np.flatnonzero((blocks.day >= first) & (blocks.day < last))
        total = energy[:, here].sum()
        if total <= 0 or measured <= 0:
            continue
        flat = (np.arange(n_inverters)[:, None] * n_blocks + here[None, :]).ravel()
        rows.append(
            sparse.csr_matrix(
                (energy[:, here].ravel() / total, (np.zeros(len(flat), int), flat)), shape=(1, n_inverters * n_blocks)
            )
        )
        values.append(np.log(measured / total))
        weights.append(total)
        days.append(first)
        # Hours that snow is thought to have taken whole are the most in doubt: what they would have given counts.
        relative.append((whole * doubt)[:, here].sum() / total)
    if not rows:
        return []
    pick = sparse.vstack(rows).tocsr()
    w = np.array(weights)
    precision = 2.0 / (1.0 + np.median(w) / w) / (1.0 + (np.array(relative) / _METER_SIGMA) ** 2)
    here = (pick @ design).tocsr()
    return [Rows("meter", here, np.array(values) - here @ near, precision, _METER_SIGMA, 1.0, np.array(days))]


def meter_by_day(blocks: Blocks, meter: pd.DataFrame | None) -> list[tuple[int, int, float]] | None:
    """Meter periods as (first local day, day after the last, kWh), whole days only and inside the history."""
    if meter is None or meter.empty:
        return None
    tz = blocks.model.site.tz
    start, end = (pd.DatetimeIndex(meter[c]).tz_convert(tz).tz_localize(None) for c in ("start", "end"))
    table = pd.DataFrame(
        {
            "first": (start.normalize() - blocks.dates[0]).days,
            "hours": (pd.DatetimeIndex(meter["end"]) - pd.DatetimeIndex(meter["start"])).total_seconds() / 3600.0,
            "last": ((end - pd.Timedelta("1ns")).normalize() - blocks.dates[0]).days + 1,
            "kwh": meter["energy_kwh"].to_numpy(float),
        }
    )
    short = table[table["hours"] < 20.0]
    whole = table[table["hours"] >= 20.0]
    out = [(int(r.first), int(r.last), float(r.kwh)) for r in whole.itertuples()]
    if len(short):
        day = short.groupby("first").agg(kwh=("kwh", "sum"), hours=("hours", "sum"))
        out += [(int(d), int(d) + 1, float(r.kwh)) for d, r in zip(day.index, day.itertuples(), strict=True) if r.hours >= 22.5]
    return sorted((first, last, kwh) for first, last, kwh in out if first >= 0 and last <= len(blocks.dates))


def round_columns(blocks: Blocks, rounds: pd.DataFrame) -> list[Column]:
    """One unknown for the light sensor's bias of each round; it acts on the round's rows alone."""
    if rounds.empty:
        return []
    return [
        Column("round", str(name), np.zeros(blocks.n), None, 0.0, _ROUND_BIAS, -np.inf, np.inf, ("round", name))
        for name in sorted(rounds["round_id"].unique())
    ]


def light_rows(blocks: Blocks, columns: list[Column], data: SiteData, rounds: pd.DataFrame) -> list[Rows]:
    """
    One row for each visit with a light sensor: what it read in the plane against the weather's light at that moment.

    Half a dozen visits, each with its own sensor, know the constant bias of the weather's light about as well as the sensor's own
    class does. The bias of a round's sensor is an unknown already; that of a clamp visit is counted as noise.
    """
    level = next(j for j, c in enumerate(columns) if c.name == LIGHT_BIAS)
    number = {c.name: j for j, c in enumerate(columns) if c.cause == "round"}
    sigma = _LIGHT_SIGMA_MODELLED if light_from_service(blocks.model) else _LIGHT_SIGMA_MEASURED
    triplets: list[tuple[int, int, float]] = []
    values: list[float] = []
    weights: list[float] = []
    for name, part in light_visits(blocks, data, rounds):
        column = None if name is None else number.get(name)
        ratio = light_ratio(blocks, part)
        if not len(ratio):
            continue
        row = len(values)
        values.append(float(np.median(ratio)))
        triplets.append((row, level, 1.0))
        if column is not None:
            triplets.append((row, column, -1.0))
        weights.append(1.0 if column is not None else 1.0 / (1.0 + (_ROUND_BIAS / sigma) ** 2))
    if not values:
        return []
    r, c, v = zip(*triplets, strict=True)
    design = sparse.csr_matrix((v, (r, c)), shape=(len(values), len(columns)))
    return [Rows("light read on visits", design, np.array(values), np.array(weights), sigma, 1.0)]


def light_visits(blocks: Blocks, data: SiteData, rounds: pd.DataFrame) -> list[tuple[str | None, pd.DataFrame]]:
    """
    Readings of each visit that carried a light sensor, with the array they were taken at; a round's go with its number.

    A round whose sheet goes by another clock than the weather is put right.
    """
    visits: list[tuple[str | None, pd.DataFrame]] = []
    visits += [(name, at_right_time(blocks, part)) for name, part in _round_light(blocks, rounds)]
    if len(data.clamp):
        first = {s.inverter_id: s.array_id for s in reversed(blocks.model.site.strings)}
        clamp = data.clamp.assign(array=data.clamp["inverter_id"].map(first))
        visits += [(None, part) for _, part in clamp.groupby(number_rounds(clamp["time"]))]
    return visits


def late_sheets(blocks: Blocks, rounds: pd.DataFrame) -> list[tuple[pd.Timestamp, float]]:
    """First reading, as written, of each round whose sheet goes by another clock, and by how much it is late. [min]"""
    found = ((part["time"].iloc[0], minutes_late(blocks, part)) for _, part in _round_light(blocks, rounds))
    return [(time, late) for time, late in found if late]


def _round_light(blocks: Blocks, rounds: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """The light of each round's good readings, with the array they were taken at, times as written."""
    if rounds.empty:
        return []
    plane = {s.string_id: s.array_id for s in blocks.model.site.strings}
    good = rounds[rounds["grade"].isin(["good", "usable"])]
    good = good.assign(array=good["string_id"].map(plane))
    return [(str(name), part) for name, part in good.groupby("round_id")]


def light_ratio(blocks: Blocks, readings: pd.DataFrame) -> np.ndarray:
    """ln of read over the weather's light in the plane of each reading, where the weather's neighbours agree."""
    model = blocks.model
    time = pd.DatetimeIndex(readings["time"]).tz_convert("UTC")
    at, inside = weather_around(model, time)
    out = np.full(len(readings), np.nan)
    for array, light in model.planes.items():
        here = inside & (readings["array"] == array).to_numpy()
        poa = np.stack([light.poa_global[at[here] + k] for k in (-1, 0, 1)])
        with np.errstate(divide="ignore", invalid="ignore"):
            steady = (poa.min(axis=0) > _LEAST_LIGHT) & (poa.max(axis=0) / poa.min(axis=0) < _STEADY)
            ratio = np.log(readings["poa_global"].to_numpy(float)[here] / poa[1])
        out[here] = np.where(steady, ratio, np.nan)
    return out[np.isfinite(out) & (np.abs(out) < _SAME_SKY)]


def round_rows(blocks: Blocks, columns: list[Column], rounds: pd.DataFrame, findings: pd.DataFrame) -> list[Rows]:
    """
    One row for each round and inverter: the mean power of its sound strings against the plate. Inverters with fewer than three of
    them share a row, or a farm of small inverters would have none.

    It holds what dirt and age left, the modules against their plate, and the round's own bias; faults and the energy side's bias
    do not enter.
    """
    if rounds.empty:
        return []
    faulty = set(findings.loc[findings["finding"].isin(FAULT_FINDINGS), "string_id"]) if len(findings) else set()
    good = rounds[rounds["grade"].isin(["good", "usable"]) & ~rounds["string_id"].isin(faulty) & (rounds["p_mp_plate"] > 0.3)]
    # A string washed alone is not in the state of its inverter.
    alone = good["washed"].notna() & good.groupby(["round_id", "inverter_id"])["washed"].transform(lambda w: w.isna().any())
    good = good[~alone]
    few = good.groupby(["round_id", "inverter_id"])["string_id"].transform("size") < _FEWEST_STRINGS
    place = {name: k for k, name in enumerate(blocks.model.inverter_ids)}
    number = {c.name: j for j, c in enumerate(columns) if c.cause == "round"}
    slow = [j for j, c in enumerate(columns) if c.cause in ("soiling", "degradation") or c.name == PLATE]
    triplets: list[tuple[int, int, float]] = []
    values: list[float] = []
    weights: list[float] = []
    for (name, _), group in good.groupby(["round_id", good["inverter_id"].where(~few, "")]):
        day = blocks.day_of(group["time"].iloc[0])
        near = np.flatnonzero(blocks.day == min(max(day, 0), len(blocks.dates) - 1))
        if not len(near):
            continue
        row = len(values)
        for inverter, share in (group["inverter_id"].value_counts() / len(group)).items():
            for j in slow:
                shape = columns[j].at(place[str(inverter)])
                if shape is not None and shape[near].any():
                    triplets.append((row, j, float(share * shape[near].mean())))
        triplets.append((row, number[str(name)], 1.0))
        ratio = np.log(group["p_mp_plate"].to_numpy(float))
        values.append(float(np.median(ratio)))
        weights.append(len(group) / 1.5)
    if not values:
        return []
    r, c, v = zip(*triplets, strict=True)
    design = sparse.csr_matrix((v, (r, c)), shape=(len(values), len(columns)))
    mean = float(np.mean(weights))
    return [Rows("rounds", design, np.array(values), np.array(weights) / mean, _STRING_SIGMA / np.sqrt(mean), 1.0)]
