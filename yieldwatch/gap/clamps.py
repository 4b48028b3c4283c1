"""
Clamp readings at the inverters, against themselves, the efficiency curve, the strings, the model and each
other.

A clamp pair cannot prove a 1 % loss of efficiency; it can prove 5 %. So every ratio carries its uncertainty,
and inverter against inverter, which shares the light sensor's error, stands beside inverter against model.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.constants import IRRADIANCE_STC
from yieldwatch.expected.inverter import inverter_curve
from yieldwatch.expected.module import fit_module
from yieldwatch.expected.reference import cell_from_back, root_sum_square, stc_uncertainty
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.held_readings import HELD, held_by
from yieldwatch.gap.rounds import number_rounds
from yieldwatch.portfolio.model import Inverter, Site, String

# Standard uncertainties of one reading, k = 1, common practice, no source. [fraction]
_U_DC_CHANNEL, _U_AC_CHANNEL = 0.01, 0.005
#: Of the light and spectrum on the plane while the clamp was on.
_U_LIGHT = root_sum_square(0.020, 0.015)
#: Makers' spread and age, where no round says what the strings really give.
_U_UNTESTED = 0.03
#: How far numbers that must agree may differ: `kW² + kVAr² = kVA²` and the like. Common practice, no source.
_AGREE, _PHASE_SPREAD = 0.02, 0.05
#: Above this a measured efficiency is nearly always a meter or timing error. Common practice, no source.
_EFFICIENCY_MOST = 0.995
#: Least light for a comparison with the model. [W/m²] IEC 62446-1 asks for it where power is tested (from
#: memory).
_LEAST_LIGHT = 400.0
_PEERS_LEAST = 3
#: How far above the usual ratio of voltage to the model's it then stands: over three standard uncertainties.
_HELD_VOLTAGE = 1.04
#: How near the powers of one limit are at two visits. Common practice, no source.
_SAME_POWER = 0.03
#: Share of the strings' current from which a reading may tell what ratio is usual: one that is held would call itself so.
_MOST_OF_IT = 0.9
_RATIOS = ("efficiency", "current_ratio", "voltage_ratio", "dc_power_ratio")
COLUMNS = (
    "time", "clamp_round", "inverter_id", "mppt", "phase", "poa_global", "temp_cell",
    "dc_voltage_v", "dc_current_a", "dc_power_kw", "ac_voltage_v", "ac_current_a", "ac_power_kw",
    "ac_apparent_kva", "ac_reactive_kvar", "power_factor", "derived", "contradictions", "limited",
    "efficiency", "efficiency_u", "efficiency_curve", "efficiency_log_ratio",
    "current_expected_a", "current_ratio", "current_ratio_u", "strings_missing",
    "voltage_expected_v", "voltage_ratio", "voltage_ratio_u",
    "dc_power_expected_kw", "dc_power_ratio", "dc_power_ratio_u", *(f"{r}_peer" for r in _RATIOS),
    "voltage_ratio_plate", "note", "file", "line",
)


def apparent_power_kva(voltage_v: float, current_a: float, three_phase: bool) -> float:
    """Apparent power of a phase (V·I) or, from line-to-line voltage, of three (√3·V·I). [kVA]"""
    return (np.sqrt(3.0) if three_phase else 1.0) * voltage_v * current_a / 1000.0


def reactive_power_kvar(apparent_kva: float, real_kw: float) -> float:
    """
    Size of the reactive power, √(S² - P²), or of the real from the reactive; zero where P is above S by
    reading error, NaN where either is NaN. [kVAr]
    """
    return float(np.sqrt(np.maximum(apparent_kva**2 - real_kw**2, 0.0)))


def check_clamps(site: Site, data: SiteData, rounds: pd.DataFrame) -> pd.DataFrame:
    """
    Check every clamp reading.

    Parameters
    ----------
    site : Site
    data : SiteData
        Its `clamp` table is read. [kW, kVA, kVAr, V, A, W/m², °C]
    rounds : DataFrame
        Result of `assess_rounds`: what each string gave when it was last traced before the reading.

    Returns
    -------
    DataFrame
        One row a reading, in order of time, columns `COLUMNS`. Ratios are measured over expected; `*_u` are
        relative standard uncertainties (k = 1); `*_peer` is the ratio to the median of the other inverters
        of the same clamp round and type (three at least). `derived` names what was worked out from the
        rest, `contradictions` says in words what does not fit, `limited` what held the inverter down,
        `note` what the ratios say; `voltage_ratio_plate` is to sound strings of the plate. NaN where the readings for it are
        missing or the light was below 400 W/m². A row with `phase` has no efficiency and no DC comparison: it is a part of
        the inverter.
    """
    if data.clamp.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    inverters = {i.inverter_id: i for i in site.inverters}
    table = data.clamp[data.clamp["inverter_id"].isin(inverters.keys())]
    table = table.sort_values(["time", "inverter_id"], kind="stable").reset_index(drop=True)
    table = table.reindex(columns=list(dict.fromkeys([*table.columns, *COLUMNS[:17]])))
    table["clamp_round"] = number_rounds(table["time"])
    table["temp_cell"] = cell_from_back(
        table["temp_module"].to_numpy(float), table["poa_global"].to_numpy(float)
    )
    modelled = _model_points(site, table)
    rows = []
    for at, reading in enumerate(table.to_dict("records")):
        row: dict = {str(name): value for name, value in reading.items()}
        row["note"] = ""
        _derive(row)
        row["contradictions"] = "; ".join(_contradictions(row))
        inverter = inverters[row["inverter_id"]]
        row["limited"] = held_by(site, inverter, row, data.events)
        if pd.isna(row["phase"]):
            _compare_efficiency(inverter, row)
            _compare_strings(site, row, {kind: points.iloc[at] for kind, points in modelled.items()}, rounds)
        rows.append(row)
    out = pd.DataFrame(rows).reindex(columns=list(COLUMNS))
    for name in (*COLUMNS[19:37], "voltage_ratio_plate"):
        out[name] = out[name].astype(float)
    _mark_held(out)
    _add_phase_spread(out)
    _add_peers(out, inverters)
    out["note"] = ["; ".join(filter(None, [row["note"], _note(row)])) for _, row in out.iterrows()]
    return out


def _model_points(site: Site, table: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Key points of one module of each type at every reading; NaN without enough light or a temperature."""
    light, cell = table["poa_global"].to_numpy(float), table["temp_cell"].to_numpy(float)
    fit = (light >= _LEAST_LIGHT) & np.isfinite(cell)
    kinds = {s.module_type.module_type: s.module_type for s in site.strings}
    out = {}
    for name, kind in kinds.items():
        points = pd.DataFrame(np.nan, index=table.index, columns=["i_mp", "v_mp", "p_mp"])
        if fit.any():
            found = fit_module(kind).key_points(light[fit], cell[fit])
            points.loc[fit] = np.stack([found[c] for c in points.columns], axis=1)
        out[name] = points
    return out


def _derive(row: dict) -> None:
    """Fill what follows from the rest, and say what was filled."""
    derived = []

    def fill(name: str, value: float) -> None:
        if pd.isna(row[name]) and np.isfinite(value):
            row[name] = value
            derived.append(name)

    fill("dc_power_kw", row["dc_voltage_v"] * row["dc_current_a"] / 1000.0)
    fill(
        "ac_apparent_kva", apparent_power_kva(row["ac_voltage_v"], row["ac_current_a"], pd.isna(row["phase"]))
    )
    p, s, q, pf = (row[k] for k in ("ac_power_kw", "ac_apparent_kva", "ac_reactive_kvar", "power_factor"))
    if pd.isna(p):
        fill("ac_power_kw", s * abs(pf) if pd.notna(pf) else reactive_power_kvar(s, q))
    elif pd.isna(s):
        fill("ac_apparent_kva", np.hypot(p, q) if pd.notna(q) else p / abs(pf) if pf else np.nan)
    p, s = row["ac_power_kw"], row["ac_apparent_kva"]
    if pd.notna(p) and pd.notna(s) and s > 0:
        fill("ac_reactive_kvar", reactive_power_kvar(s, p))
        fill("power_factor", min(p / s, 1.0))
    row["derived"] = " ".join(derived)


def _contradictions(row: dict) -> list[str]:
    p, s, q, pf = (row[k] for k in ("ac_power_kw", "ac_apparent_kva", "ac_reactive_kvar", "power_factor"))
    said = []
    if _off(s, np.hypot(p, q)):
        said.append(f"{s:.2f} kVA is not √(kW² + kVAr²) = {np.hypot(p, q):.2f} kVA")
    if s > 0 and abs(abs(pf) - p / s) > _AGREE:
        said.append(f"power factor {abs(pf):.3f} is not kW/kVA = {p / s:.3f}")
    volt_amps = apparent_power_kva(row["ac_voltage_v"], row["ac_current_a"], pd.isna(row["phase"]))
    if _off(volt_amps, s, 1.5 * _AGREE):
        is_root = any(not _off(volt_amps, s * 3.0**power, 2 * _AGREE) for power in (0.5, -0.5))
        hint = (
            "; the factor is √3: line-to-neutral voltage taken for line-to-line or the reverse"
            if is_root
            else ""
        )
        said.append(f"volts and amperes give {volt_amps:.2f} kVA against {s:.2f} kVA{hint}")
    dc = row["dc_voltage_v"] * row["dc_current_a"] / 1000.0
    if _off(dc, row["dc_power_kw"], 1.5 * _AGREE):
        said.append(f"DC volts and amperes give {dc:.2f} kW against {row['dc_power_kw']:.2f} kW")
    if pd.isna(row["mppt"]) and pd.isna(row["phase"]) and p > _EFFICIENCY_MOST * row["dc_power_kw"] > 0:
        said.append(
            f"AC {p:.2f} kW is {100 * p / row['dc_power_kw']:.1f} % of DC {row['dc_power_kw']:.2f} kW: "
            "a meter or timing error"
        )
    return said


def _off(a: float, b: float, within: float = _AGREE) -> bool:
    return bool(a > 0 and b > 0 and abs(np.log(a / b)) > within)


def _dc_power(row: dict) -> tuple[float, float]:
    """
    DC power of two readings of it, the instrument's own and volts times amperes, and its relative
    uncertainty.

    Where the two disagree, half of the difference is doubt.
    """
    product = row["dc_voltage_v"] * row["dc_current_a"] / 1000.0
    u = root_sum_square(_U_DC_CHANNEL, _U_DC_CHANNEL)
    if not (product > 0 and row["dc_power_kw"] > 0):
        return row["dc_power_kw"], u
    apart = abs(np.log(product / row["dc_power_kw"]))
    return float(np.sqrt(product * row["dc_power_kw"])), root_sum_square(u, 0.5 * apart)


def _compare_efficiency(inverter: Inverter, row: dict) -> None:
    (dc, u_dc), ac = _dc_power(row), row["ac_power_kw"]
    if pd.isna(row["mppt"]) and dc > 0 and ac > 0:
        row["efficiency"] = ac / dc
        row["efficiency_u"] = root_sum_square(u_dc, _U_AC_CHANNEL, _U_AC_CHANNEL)
        row["efficiency_curve"] = float(inverter_curve(inverter.inverter_type).efficiency(np.array(dc)))
        row["efficiency_log_ratio"] = float(np.log(row["efficiency"] / row["efficiency_curve"]))


def _compare_strings(site: Site, row: dict, points: dict[str, pd.Series], rounds: pd.DataFrame) -> None:
    """DC side against the strings as last traced, and against the model with nothing wrong."""
    strings = [s for s in site.strings if s.inverter_id == row["inverter_id"]
               and (pd.isna(row["mppt"]) or str(s.mppt) == str(row["mppt"]))]
    modelled = [points[s.module_type.module_type] for s in strings]
    if not strings or pd.isna(modelled[0]["p_mp"]):
        return
    if len({s.array_id for s in strings}) > 1:
        row["note"] = "strings in more than one plane: one light reading cannot serve them, so no comparison"
        return
    length = np.array([s.modules_in_series for s in strings], float)
    wiring = 1.0 - site.dc_wiring_pct / 100.0 * row["poa_global"] / IRRADIANCE_STC
    mismatch = 1.0 - site.mismatch_pct / 100.0
    power = (
        sum(float(m["p_mp"]) * n for m, n in zip(modelled, length, strict=True)) / 1000.0 * wiring * mismatch
    )
    measured, u_measured = _dc_power(row)
    u_temp = stc_uncertainty(strings[0].module_type, False).v_mp
    _put(row, "dc_power", "kw", measured, power, root_sum_square(_U_LIGHT, u_temp, u_measured, _U_UNTESTED))
    current_state, voltage_state, tested = _state_of_strings(strings, rounds, row["time"])
    amps = np.array([float(m["i_mp"]) for m in modelled])
    # The light of the round has its own error beside that of the clamp's light.
    u_current = root_sum_square(_U_LIGHT, _U_DC_CHANNEL, _U_LIGHT if tested else _U_UNTESTED)
    _put(row, "current", "a", row["dc_current_a"], float(np.sum(amps * current_state)) * mismatch, u_current)
    if row["current_ratio"] == row["current_ratio"]:
        row["strings_missing"] = (1.0 - row["current_ratio"]) * float(np.sum(current_state > 0.05))
    volts = np.array([float(m["v_mp"]) for m in modelled]) * length
    row["voltage_ratio_plate"] = row["dc_voltage_v"] / (float(np.median(volts)) * wiring)
    volts = volts * voltage_state
    u_voltage = root_sum_square(u_temp, _U_DC_CHANNEL, 0.01 if tested else 0.02)
    if np.isfinite(volts).any():
        _put(row, "voltage", "v", row["dc_voltage_v"], float(np.nanmedian(volts)) * wiring, u_voltage)


def _put(row: dict, name: str, unit: str, measured: float, expected: float, u: float) -> None:
    row[f"{name}_expected_{unit}"] = expected
    row[f"{name}_ratio"] = measured / expected if expected > 0 else np.nan
    row[f"{name}_ratio_u"] = u if pd.notna(row[f"{name}_ratio"]) else np.nan


def _state_of_strings(strings: list[String], rounds: pd.DataFrame,
                      time: pd.Timestamp) -> tuple[np.ndarray, np.ndarray, bool]:
    """
    What each string gave of its plate's i_mp and v_mp when last traced before `time`; one where never traced.

    A trace whose current alone is more than a tenth off its peers, with its shape right, was taken in other
    light: the round's median stands for its current.
    """
    current, voltage = np.ones(len(strings)), np.ones(len(strings))
    if rounds.empty:
        return current, voltage, False
    past = rounds[(rounds["grade"] != "unfit") & (rounds["time"] <= time)].drop_duplicates(
        "string_id", keep="last"
    )
    if past.empty:
        return current, voltage, False
    living = past[~past["no_current"].astype(bool)]
    usual = living.groupby(living["round_id"].astype(str))["i_mp_plate"].median().to_dict()
    past = past.set_index("string_id")
    for k, string in enumerate(strings):
        if string.string_id not in past.index:
            continue
        trace = past.loc[string.string_id]
        other_light = abs(trace["i_sc_peer"] - 1.0) > 0.1 and abs(trace["i_ratio_peer"] - 1.0) < 0.03
        current[k] = usual[str(trace["round_id"])] if other_light else trace["i_mp_plate"]
        voltage[k] = np.nan if trace["no_current"] else trace["v_mp_plate"]
    return current, voltage, bool(np.mean([s.string_id in past.index for s in strings]) > 0.5)


def _mark_held(out: pd.DataFrame) -> None:
    """
    Mark inverters held down by no rating of theirs: voltage above, current below what the strings would give.

    Voltage above both the strings' as traced and the plate's: a string of a wrong length moves one of the two. Who gives the same
    power at another visit, below the strings' current again, is held by the same limit then, though its voltage says less.
    """
    low = (out["limited"] == "") & (out["current_ratio"] < 0.97)
    held = low.copy()
    for name in ("voltage_ratio", "voltage_ratio_plate"):
        free = (out["limited"] == "") & out[name].notna() & (out["current_ratio"] > _MOST_OF_IT)
        usual = float(np.clip(out.loc[free, name].median(), 0.97, 1.03)) if free.any() else 1.0
        held &= out[name] > _HELD_VOLTAGE * usual
        low &= out[name] > usual
    for level, inverter in out.loc[held, ["ac_power_kw", "inverter_id"]].itertuples(index=False):
        held |= low & (out["inverter_id"] == inverter) & ((out["ac_power_kw"] / level - 1.0).abs() < _SAME_POWER)
    out.loc[held, "limited"] = HELD


def _add_phase_spread(out: pd.DataFrame) -> None:
    """Say so where the phases of one inverter carry unlike currents in one clamp round."""
    phases = out[out["phase"].notna()]
    for _, rows in phases.groupby(["clamp_round", "inverter_id"]):
        amps = rows["ac_current_a"].dropna()
        if len(amps) >= 2 and amps.mean() > 0 and (amps.max() - amps.min()) / amps.mean() > _PHASE_SPREAD:
            said = f"phase currents {amps.min():.1f} to {amps.max():.1f} A are more than 5 % apart"
            both = [f"{had}; {said}" if had else said for had in rows["contradictions"]]
            out.loc[rows.index, "contradictions"] = both


def _add_peers(out: pd.DataFrame, inverters: dict[str, Inverter]) -> None:
    kinds = out["inverter_id"].map(lambda i: inverters[i].inverter_type.inverter_type)
    whole = out["phase"].isna() & out["mppt"].isna()
    for _, rows in out[whole].groupby([kinds[whole], "clamp_round"]):
        for name in _RATIOS:
            values, owners = rows[name].to_numpy(float), rows["inverter_id"].to_numpy()
            ratio = np.full(len(values), np.nan)
            for k in range(len(values)):
                others = values[(owners != owners[k]) & (values > 0.0)]  # one that stood still is no measure
                if len(others) >= _PEERS_LEAST:
                    ratio[k] = values[k] / np.median(others)
            out.loc[rows.index, f"{name}_peer"] = ratio


#: What an inverter's ratio to its peers of one clamp round may be off by; light and method are shared.
_PEER_DOUBT = 0.03


def _odd(row: pd.Series, name: str) -> bool:
    """True where a ratio is beyond twice its uncertainty, and its peers, if any, do not show the same."""
    away = _off_one(row[name]) > 2.0 * row[f"{name}_u"]
    peer = row[f"{name}_peer"]
    return bool(away and (pd.isna(peer) or _off_one(peer) > _PEER_DOUBT))


def _off_one(ratio: float) -> float:
    """How far a ratio is from one, as a logarithm; infinite for a reading of nil."""
    return float("inf") if ratio <= 0 else abs(float(np.log(ratio)))


def _note(row: pd.Series) -> str:
    said = []
    if abs(row["efficiency_log_ratio"]) > 2.0 * row["efficiency_u"]:
        said.append(f"efficiency {100 * row['efficiency']:.1f} % against "
                    f"{100 * row['efficiency_curve']:.1f} % by its curve at this load")
    if row["current_ratio"] < 1 and not row["limited"] and _odd(row, "current_ratio"):
        said.append(f"DC current {100 * (1 - row['current_ratio']):.0f} % short of its strings as last "
                    f"traced, {row['strings_missing']:.1f} strings' worth, if nothing held the inverter down")
    if _odd(row, "voltage_ratio"):
        away = f"DC voltage {100 * abs(row['voltage_ratio'] - 1):.0f} % " + (
            "above" if row["voltage_ratio"] > 1 else "below") + " its strings' v_mp"
        held = row["limited"] and row["voltage_ratio"] > 1
        why = f", as it must be {row['limited']}" if held else ": the input may not be tracking"
        said.append(away + why)
    return "; ".join(said)
