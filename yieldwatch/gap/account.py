"""
From a site's inferred state to its account: expected, measured, and the loss of each month by cause, closing exactly.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from yieldwatch.constants import CAUSES
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.basis import Basis, causes_basis, exposed
from yieldwatch.gap.causes_in_doubt import told_by_chance
from yieldwatch.gap.energy_draws import fault_doubt, limit_doubt, moved_energy, outline_doubt, snow_energy_doubt
from yieldwatch.gap.measured import Measured, measured_months
from yieldwatch.gap.modelled_light import light_doubt, light_not_measured
from yieldwatch.gap.obstacle import outlines
from yieldwatch.gap.patterns.window import Window
from yieldwatch.gap.ratios import energy_availability, performance_ratio, performance_ratio_temp_corrected
from yieldwatch.gap.reasons import MOST_MONTHS, site_why
from yieldwatch.gap.results import SiteGap
from yieldwatch.gap.spell_table import downtime_table
from yieldwatch.gap.split import Split, split_by_cause
from yieldwatch.gap.unrecorded import unrecorded

#: The revenue meter is right to half a per cent (class 0.5 or better). Relative, standard uncertainty.
_METER_U = 0.003
#: An inverter's own log is right to about a per cent. Common practice, no source.
_LOG_U = 0.01


def site_gap(state: SiteState, data: SiteData, findings: pd.DataFrame, start: pd.Timestamp, end: pd.Timestamp) -> SiteGap:
    """
    The account of one site over the reported period.

    Parameters
    ----------
    state : SiteState
    findings : DataFrame
        From `yieldwatch.gap.findings.string_findings`.
    start, end : Timestamp
        Reported period, UTC, end exclusive; whole months of site time within it are reported.

    Returns
    -------
    SiteGap
    """
    whole = split_by_cause(state.model, state.effects)
    split = told_by_chance(state, whole)
    months, month = _months(state, start, end)
    kept = month >= 0
    basis = causes_basis(state, data)
    measured = measured_months(
        state.model, split.state, data.meter, state.log, np.where(kept, month, len(months)), (*months, "outside")
    )
    expected = np.bincount(month[kept], weights=split.expected.sum(axis=0)[kept], minlength=len(months))
    energy = {c: np.bincount(month[kept], weights=e.sum(axis=0)[kept], minlength=len(months)) for c, e in split.energy.items()}
    told = {c: energy.get(c, np.zeros(len(months))) for c in CAUSES if c != "unexplained" and basis[c].basis != "not_assessed"}
    moved = moved_energy(state, whole, month, len(months))
    faults_off = fault_doubt(state, whole, month, len(months), np.random.default_rng(3))
    n_draws = len(faults_off["string_fault"])
    off_by = {
        **faults_off,
        "curtailment": limit_doubt(state, whole, month, len(months), n_draws, np.random.default_rng(5)),
        "snow": snow_energy_doubt(state, whole, month, len(months), n_draws, np.random.default_rng(6)),
        "shading": outline_doubt(state, told["shading"], n_draws, np.random.default_rng(8)),
    }
    unseen = {c: np.bincount(month[kept], weights=e.sum(axis=0)[kept], minlength=len(months))
              for c, e in exposed(state, split.expected).items()}
    metered = np.where(np.array(measured.source[:-1]) == "meter", measured.energy[:-1], np.nan)
    all_told = np.sum(list(told.values()), axis=0)
    off_by |= unrecorded(state, data, month, expected, metered, all_told, np.random.default_rng(7), off_by)
    draws = _draws(off_by, moved, told, basis, {c: unseen.get(c, expected) for c in told})
    rest = expected - measured.energy[:-1] - sum(told.values())
    spread = sum(draws[c] - told[c][None, :] for c in told)
    rng = np.random.default_rng(1)
    u_measured = np.where(np.array(measured.source[:-1]) == "meter", _METER_U, _LOG_U) * np.nan_to_num(measured.energy[:-1])
    common = rng.standard_normal((len(spread), 1))
    per_interval = split.expected.sum(axis=0)
    unlit = light_doubt(state.model, per_interval, month, len(months), len(spread), np.random.default_rng(4))
    draws["unexplained"] = rest[None, :] - spread - common * u_measured[None, :] + unlit
    losses = _losses(state, months, told, rest, draws, basis, measured)
    downtime = downtime_table(state, split, kept)
    last = slice(max(len(months) - MOST_MONTHS, 0), None)
    inside = month >= (last.start or 0)
    shade = split.energy.get("shading", np.zeros_like(split.expected))
    window = Window(
        state, data, findings, split, outlines(state, shade, inside),
        _starting_in(downtime, months[last], state.model.site.tz), months[last],
        inside, float(expected[last].sum()), rest[last],
    )
    evidence = site_why(
        window,
        basis,
        {c: e[last] for c, e in (told | {"unexplained": rest}).items()},
        {c: d[:, last] for c, d in draws.items()},
        {c: d[:, last] for c, d in moved.items()},
    )
    return SiteGap(
        intervals=_intervals(state, split, measured, month, rest, told),
        yields=_yields(state, split, measured, months, month, expected, energy),
        losses=losses,
        draws=draws,
        months=months,
        string_findings=findings.assign(site_id=state.model.site.id),
        downtime=downtime,
        obstacles=window.obstacles,
        evidence=evidence,
        not_told=(*light_not_measured(state.model, per_interval, month, months),
                  *(f"{c.replace('_', ' ')}: {b.why_not}" for c, b in basis.items() if b.why_not)),
    )


def _starting_in(downtime: pd.DataFrame, months: tuple[str, ...], tz: dt.tzinfo) -> pd.DataFrame:
    """Spells that begin in these months of site time."""
    if downtime.empty:
        return downtime
    return downtime[pd.DatetimeIndex(downtime["start"]).tz_convert(tz).strftime("%Y-%m").isin(months)]


def _months(state: SiteState, start: pd.Timestamp, end: pd.Timestamp) -> tuple[tuple[str, ...], np.ndarray]:
    """Whole months of the period, and each interval's place among them, -1 outside."""
    tz = state.model.site.tz
    index = state.model.weather.table.index
    first = max(start, index[0]).tz_convert(tz)
    last = min(end, index[-1] + state.model.weather.step).tz_convert(tz)
    names = [
        str(p)
        for p in pd.period_range(first.tz_localize(None), last.tz_localize(None), freq="M")
        if p.start_time.tz_localize(tz) >= first - pd.Timedelta(hours=1)
        and (p + 1).start_time.tz_localize(tz) <= last + pd.Timedelta(hours=1)
    ]
    if not names:
        # Less than a whole month: report what there is.
        names = sorted(
            {str(p) for p in pd.period_range(first.tz_localize(None), (last - pd.Timedelta("1ns")).tz_localize(None), freq="M")}
        )
    local = state.model.times.tz_convert(tz).strftime("%Y-%m")
    return tuple(names), pd.Index(names).get_indexer(local)


def _draws(
    off_by: dict[str, np.ndarray],
    moved: dict[str, np.ndarray],
    told: dict[str, np.ndarray],
    basis: dict[str, Basis],
    exposed_to: dict[str, np.ndarray],
) -> dict[str, np.ndarray]:
    """Draws of each told cause's monthly energy: what the posterior moves, what forms and dates are off by, and `Basis`."""
    rng, n_draws = np.random.default_rng(2), len(off_by["string_fault"])
    out = {}
    for cause, energy in told.items():
        values = np.repeat(energy[None, :], n_draws, axis=0)
        if cause in moved:
            # Unknowns at their bound can only go one way in the draws; together they would push the whole off its estimate.
            values = values + moved[cause] - np.median(moved[cause], axis=0)[None, :]
        doubt = basis[cause]
        if cause in off_by:
            values = values + off_by[cause]
        blur = rng.standard_normal((n_draws, 1)) * doubt.blurred * np.abs(energy)[None, :]
        # On every other farm nothing went unseen: else all draws would lie above what the evidence shows.
        perhaps = (rng.random((n_draws, 1)) < 0.5) * np.abs(rng.standard_normal((n_draws, 1))) / 1.645
        unseen = perhaps * doubt.missed * exposed_to[cause][None, :]
        another = rng.exponential(size=(n_draws, 1)) * doubt.not_it * exposed_to[cause][None, :]
        out[cause] = values + blur + unseen - np.minimum(another, np.abs(energy)[None, :])
        if cause != "degradation":
            out[cause] = np.maximum(out[cause], np.minimum(energy, 0.0)[None, :])
    return out


def _losses(
    state: SiteState,
    months: tuple[str, ...],
    told: dict[str, np.ndarray],
    rest: np.ndarray,
    draws: dict[str, np.ndarray],
    basis: dict[str, Basis],
    measured: Measured,
) -> pd.DataFrame:
    rows = []
    for m, name in enumerate(months):
        for cause in CAUSES:
            row: dict[str, object] = {"site_id": state.model.site.id, "month": name, "cause": cause}
            if cause == "unexplained":
                if not np.isfinite(measured.energy[m]):
                    continue
                value, kind = rest[m], "measured"
            elif cause not in told:
                rows.append(
                    row | {"energy_kwh": np.nan, "energy_low_kwh": np.nan, "energy_high_kwh": np.nan, "basis": "not_assessed"}
                )
                continue
            else:
                value, kind = told[cause][m], basis[cause].basis
            low, high = np.quantile(draws[cause][:, m], (0.05, 0.95))
            rows.append(
                row | {"energy_kwh": value, "energy_low_kwh": min(low, value), "energy_high_kwh": max(high, value), "basis": kind}
            )
    return pd.DataFrame(rows, columns=["site_id", "month", "cause", "energy_kwh", "energy_low_kwh", "energy_high_kwh", "basis"])


def _intervals(
    state: SiteState,
    split: Split,
    measured: Measured,
    month: np.ndarray,
    rest: np.ndarray,
    told: dict[str, np.ndarray],
) -> pd.DataFrame:
    """Every interval of the reported months; in a measured month the causes add up to expected less measured."""
    model = state.model
    out = pd.DataFrame({"expected_kwh": split.expected.sum(axis=0)}, index=model.times)
    for cause in CAUSES:
        if cause in told:
            out[cause] = split.energy[cause].sum(axis=0) if cause in split.energy else 0.0
        elif cause != "unexplained":
            out[cause] = np.nan
    out["instructed_kwh"] = out["curtailment"] * np.isfinite(state.limits.site_cap)  # not assessed stays so
    n = len(rest)
    kept = month >= 0
    here = np.where(kept, month, 0)
    whole = np.bincount(month[kept], weights=measured.shape[kept], minlength=n)
    scale = np.where(whole > 0, measured.energy[:-1] / np.where(whole > 0, whole, 1.0), np.nan)
    out["measured_kwh"] = measured.shape * scale[here]
    out["unexplained"] = out["expected_kwh"] - out["measured_kwh"] - out[[c for c in told]].sum(axis=1)
    out = out[kept]
    tz = model.site.tz
    names = pd.Index(measured.months[:-1])
    whole_index = model.weather.table.index
    night = whole_index[names.get_indexer(whole_index.tz_convert(tz).strftime("%Y-%m")) >= 0]
    known = pd.Series(np.isfinite(measured.energy[:-1]), index=names)
    full = out.reindex(night)
    dark = full["expected_kwh"].isna().to_numpy()
    zero = [c for c in out.columns if c not in ("measured_kwh", "unexplained") and out[c].notna().any()]
    full.loc[dark, zero] = 0.0
    seen = known.reindex(night.tz_convert(tz).strftime("%Y-%m")).to_numpy(bool)
    full.loc[dark & seen, ["measured_kwh", "unexplained"]] = 0.0
    full.index.name = "time"
    return full


def _yields(
    state: SiteState,
    split: Split,
    measured: Measured,
    months: tuple[str, ...],
    month: np.ndarray,
    expected: np.ndarray,
    energy: dict[str, np.ndarray],
) -> pd.DataFrame:
    model, n = state.model, len(months)
    kept = month >= 0
    insolation = model.insolation()
    light = np.bincount(month[kept], weights=insolation[kept], minlength=n)
    power: dict[str, float] = {}
    for s in model.site.strings:
        power[s.array_id] = power.get(s.array_id, 0.0) + s.p_mp_w
    temp_cell = sum(model.temp_cell[a] * (p / sum(power.values())) for a, p in power.items())
    gamma = sum(s.module_type.gamma_p_mp_pct_per_c * s.p_mp_w for s in model.site.strings) / sum(power.values())
    pdc0 = model.site.pdc0_kw
    out = measured.energy[:-1]
    lost = energy.get("inverter_outage", np.zeros(n)) + energy.get("grid_outage", np.zeros(n))
    corrected = [
        performance_ratio_temp_corrected(float(out[m]), insolation[month == m], np.asarray(temp_cell)[month == m], pdc0, gamma)
        if np.isfinite(out[m])
        else np.nan
        for m in range(n)
    ]
    return pd.DataFrame(
        {
            "site_id": model.site.id,
            "month": months,
            "insolation_kwh_m2": light,
            "expected_kwh": expected,
            "measured_kwh": out,
            "measured_from": measured.source[:-1],
            "estimated_kwh": measured.estimated[:-1],
            "inverter_kwh": measured.inverter[:-1],
            "clipped_kwh": np.bincount(month[kept], weights=split.clipped[kept], minlength=n),
            "performance_ratio": performance_ratio(out, light, pdc0),
            "performance_ratio_temp_corrected": corrected,
            "availability": energy_availability(lost, expected),
            "coverage": measured.coverage[:-1],
            "light_correction_pct": 100.0 * np.expm1(state.light_correction),
        }
    )
