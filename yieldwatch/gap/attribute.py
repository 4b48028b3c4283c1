"""
One site's evidence, mechanism by mechanism, to one posterior and the state it describes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from yieldwatch.expected.power import SiteModel, site_model
from yieldwatch.expected.weather import grid_weather
from yieldwatch.field.tables import SiteData
from yieldwatch.gap.behind import behind_at_best
from yieldwatch.gap.blocks import Blocks, make_blocks
from yieldwatch.gap.clamped_strings import missing_at_clamps
from yieldwatch.gap.clamps import COLUMNS as CLAMP_COLUMNS
from yieldwatch.gap.clock_check import ClockShift
from yieldwatch.gap.conversion import daily_above_curve
from yieldwatch.gap.evidence import meter_by_day
from yieldwatch.gap.fit import DC_CAUSES, EvidenceAtHand, Left, dc_left, fit
from yieldwatch.gap.infer import Posterior
from yieldwatch.gap.instructions import find_curtailment
from yieldwatch.gap.logs import InverterLog, at_own_interval, inverter_log
from yieldwatch.gap.mechanisms.fault import Fault
from yieldwatch.gap.mechanisms.level import LIGHT_BIAS
from yieldwatch.gap.mechanisms.shading import shaded_inverters
from yieldwatch.gap.mechanisms.since_read import Fallen
from yieldwatch.gap.mechanisms.snow import snow_days, snow_left
from yieldwatch.gap.mechanisms.soiling import Wash, cleaned_in_part, cleaning_days
from yieldwatch.gap.mechanisms.string_fault import find_faults, with_inputs
from yieldwatch.gap.off import Off, find_off, inverter_ac
from yieldwatch.gap.second_light import LightDrift, light_drift
from yieldwatch.gap.site_steps import given_back, site_steps
from yieldwatch.gap.spells import Limits, find_inverter_limits
from yieldwatch.gap.split import Effect, output_with
from yieldwatch.gap.unlogged import fit_unlogged
from yieldwatch.gap.washing import washed_by_output
from yieldwatch.gap.weak_parts import weak_parts
from yieldwatch.gap.year_on_year import YearOnYear
from yieldwatch.portfolio.model import Site

#: Share of a limit left on in an inverter below which the limit is not what holds it. Common practice, no source.
_NEAR_LIMIT = 0.85
#: What the meter and the log leave open of the whole. Only what a correction leaves unexplained beyond it speaks against one.
_CLOSES_TO = 0.02


@dataclass(frozen=True, eq=False)
class SiteState:
    """
    Everything the inference knows of a site, for the split, the forecast and the evidence.

    `effects` holds what each cause does to the chain, interval by interval; `shaded` which inverters have a shade picture.
    `ratio` is ln(measured / expected) of each inverter and block over the log's usable intervals, NaN elsewhere, and `weight`
    the expected energy behind it [kWh]. `light_correction` is the change of the weather's light that the model holds, as a
    logarithm, and `light_doubt` its standard uncertainty; `light_drift` is how it moves against a second source, and
    `yearly` how the output over the expected changes year on year; None where that cannot be told. `clocks` is
    what the check of the clocks found; `snow_doubt` the standard uncertainty of what snow leaves, (n_inverters, n_times), where
    no log shows it; `fallen` what may have broken since all was last read, on a farm without one.
    """

    model: SiteModel
    blocks: Blocks
    log: InverterLog | None
    off: Off
    limits: Limits
    posterior: Posterior
    faults: list[Fault]
    shaded: np.ndarray
    wash: Wash
    effects: list[Effect]
    ratio: np.ndarray
    weight: np.ndarray
    light_correction: float = 0.0
    light_doubt: float = np.nan
    light_drift: LightDrift | None = None
    yearly: YearOnYear | None = None
    clocks: tuple[ClockShift, ...] = ()
    snow_doubt: np.ndarray | None = None
    fallen: Fallen | None = None


def infer_state(
    site: Site,
    data: SiteData,
    rounds: pd.DataFrame,
    findings: pd.DataFrame,
    start: pd.Timestamp,
    end: pd.Timestamp,
    clamps: pd.DataFrame | None = None,
    seed: int = 0,
    sensor_doubt: float = 0.0,
    clocks: Sequence[ClockShift] = (),
) -> SiteState:
    """
    Run the weather through the site and let the evidence settle the unknowns.

    Parameters
    ----------
    rounds, findings : DataFrame
        From `yieldwatch.gap.rounds` and `yieldwatch.gap.findings`.
    start, end : Timestamp
        History used, UTC, end exclusive.
    clamps : DataFrame, optional
        From `yieldwatch.gap.clamps`.
    seed : int
        Of the posterior's draws.
    sensor_doubt : float
        What faults of the light sensor leave in doubt of its level, from `yieldwatch.gap.light_sensor`. [fraction]
    clocks : sequence of ClockShift
        From `yieldwatch.gap.clock_check`.

    Raises
    ------
    FieldDataError
        If there is no usable weather.
    """
    model = site_model(site, grid_weather(data.weather, data.weather_step, site, start, end))
    blocks = make_blocks(model)
    log = inverter_log(model, data)
    off = find_off(model, log, data, snow_days(model))
    temp_air = model.weather.table["temp_air"].to_numpy(float)[model.at]
    rng = np.random.default_rng(seed)
    if clamps is None:
        clamps = pd.DataFrame(columns=list(CLAMP_COLUMNS))
    evidence = EvidenceAtHand(data, rounds, findings, clamps, blocks, log, rng, light_drift(data, site.tz.key), sensor_doubt,
                              tuple(clocks))

    if log is None:
        limits, faults, (posterior, wash, yearly), snow, doubt, fallen = fit_unlogged(evidence, model, off)
        none, nothing = np.zeros(len(blocks.expected), dtype=bool), np.full(blocks.expected.shape, np.nan)
        state = SiteState(model, blocks, None, off, limits, posterior, faults, none, wash, [], nothing, np.zeros_like(nothing))
        state = replace(state, light_drift=evidence.drift, yearly=yearly, clocks=evidence.clocks, snow_doubt=doubt, fallen=fallen)
        return _with_light_corrected(state, snow, data.meter)
    potential = inverter_ac(model) * _monthly_level(model, log, off)
    site_cap = find_curtailment(model, log, data, potential)
    limits = Limits(site_cap, *find_inverter_limits(model, log, off, potential, site_cap, temp_air))
    snow = snow_left(model, log, potential, off.running & ~np.isfinite(site_cap))
    ratio, weight = _ratios(model, blocks, log, off, limits, snow)
    blocks = washed_by_output(blocks, ratio, weight, cleaning_days(blocks, data))
    evidence = replace(evidence, blocks=blocks)
    shaded = shaded_inverters(blocks, ratio, weight)
    steps = site_steps(blocks, ratio, weight, shaded)
    before_steps = np.exp(given_back(steps, len(log.ac), len(blocks.dates)))[:, blocks.day[blocks.of]]
    weak = weak_parts(model, data, np.where(_well_after(off.running), log.ac * before_steps, np.nan), shaded)
    faults = find_faults(blocks, site, findings, rounds, steps, cleaning_days(blocks, data), weak, daily_above_curve(blocks, log))
    faults = with_inputs(blocks, faults, missing_at_clamps(site, clamps, findings))
    posterior, wash, _ = fit(evidence, faults, shaded, ratio, weight, Left.nothing(blocks))
    missing = behind_at_best(blocks, ratio, weight, posterior, findings, rounds)
    if missing:
        faults += missing
        posterior, wash, _ = fit(evidence, faults, shaded, ratio, weight, Left.nothing(blocks))
    # Second pass: the fitted state says what each inverter could have given, and so who was held down.
    potential = inverter_ac(model, dc_left(posterior, blocks.expected.shape)[:, blocks.of])
    site_cap = find_curtailment(model, log, data, potential)
    limits = Limits(site_cap, *find_inverter_limits(model, log, off, potential, site_cap, temp_air))
    snow = snow_left(model, log, potential, off.running & ~np.isfinite(site_cap))
    ratio, weight = _ratios(model, blocks, log, off, limits, snow)
    posterior, yearly = _refit(evidence, faults, shaded, ratio, weight, posterior, wash)
    state = SiteState(model, blocks, log, off, limits, posterior, faults, shaded, wash, [], ratio, weight)
    state = replace(state, light_drift=evidence.drift, yearly=yearly, clocks=evidence.clocks)
    return _with_light_corrected(state, snow, data.meter)


def _refit(evidence: EvidenceAtHand, faults: list[Fault], shaded: np.ndarray, ratio: np.ndarray, weight: np.ndarray,
           first: Posterior, wash: Wash) -> tuple[Posterior, YearOnYear | None]:
    """
    The fit that goes on from `first`.

    Where a part alone was cleaned, what it gained on the others is a layer that rain leaves, or shade that the others lost that
    day, and the picture of `first` settles on either. So it is drawn again without any such layer, and the likelier is kept,
    in which the more cells are in the open.
    """
    left = Left.nothing(evidence.blocks)
    found = fit(evidence, faults, shaded, ratio, weight, left, first, wash)
    if shaded.any() and cleaned_in_part(evidence.blocks, evidence.data):
        bare = fit(evidence, faults, shaded, ratio, weight, left, wash=wash, layer=False)
        other = fit(evidence, faults, shaded, ratio, weight, left, bare.posterior, wash)
        found = min(found, other, key=lambda f: f.posterior.misfit + _of_picture(f.posterior))
    return found.posterior, found.yearly


def _of_picture(posterior: Posterior) -> float:
    """-2 ln of the prior's height over the cells of the shade's picture: a cell in the open is the narrower claim."""
    return 2.0 * float(np.log([c.sd for c in posterior.columns if c.tag[:1] == ("beam",)]).sum())


def _with_light_corrected(state: SiteState, snow: np.ndarray, meter: pd.DataFrame | None) -> SiteState:
    """
    The state with the constant bias of the weather's light taken out, as the evidence has it, and its effects.

    What says so: light read on visits, strings of rounds against their plate, and the level of the energy; the less they say, the
    nearer the estimate is to nil. A correction that would leave more unexplained than before is not made: then something else is
    wrong, a log's clock for instance.
    """
    place = next(j for j, c in enumerate(state.posterior.columns) if c.name == LIGHT_BIAS)
    bias, doubt = float(state.posterior.estimate[place]), float(state.posterior.draws[:, place].std())
    state = replace(state, effects=_effects(state.model, state.blocks, state.posterior, state.off, state.limits, snow))
    rest = _not_explained(state, meter)
    if abs(rest + bias) < max(abs(rest), _CLOSES_TO):
        model = state.model.scaled_light(float(np.exp(-bias)))
        estimate, draws = state.posterior.estimate.copy(), state.posterior.draws.copy()
        estimate[place] = 0.0
        draws[:, place] -= bias
        state = replace(
            state,
            model=model,
            blocks=replace(state.blocks, model=model, expected=state.blocks.total(model.output())),
            posterior=replace(state.posterior, estimate=estimate, draws=draws),
            light_correction=-bias,
        )
        state = replace(state, effects=_effects(model, state.blocks, state.posterior, state.off, state.limits, snow))
    return replace(state, light_doubt=doubt)


def _not_explained(state: SiteState, meter: pd.DataFrame | None) -> float:
    """ln of measured over modelled energy with all causes on, over all that was measured; NaN where nothing was."""
    output = output_with(state.model, state.effects)
    if state.log is not None:
        known = np.isfinite(state.log.ac)
        measured = np.where(known, state.log.ac, 0.0).sum() * state.model.weather.hours * state.model.to_meter
        modelled = output[known].sum()
    else:
        by_day = np.bincount(state.blocks.day[state.blocks.of], weights=output.sum(axis=0), minlength=len(state.blocks.dates))
        periods = meter_by_day(state.blocks, meter) or []
        measured = sum(kwh for _, _, kwh in periods)
        modelled = sum(by_day[first:last].sum() for first, last, _ in periods)
    return float(np.log(measured / modelled)) if measured > 0 and modelled > 0 else float("nan")


def _monthly_level(model: SiteModel, log: InverterLog, off: Off) -> np.ndarray:
    """Each inverter's usual measured over modelled power, month by month, for a first idea of what it could give."""
    could = np.minimum(inverter_ac(model), model.rating)
    clear = np.isfinite(log.ac) & off.running & ~snow_days(model) & (could > 0.15 * model.rating) & (could < 0.95 * model.rating)
    month = np.asarray(model.times.year * 12 + model.times.month)
    out = np.ones_like(model.dc)
    for k in range(len(out)):
        ratio = pd.Series(np.where(clear[k], log.ac[k] / np.maximum(could[k], 1e-9), np.nan)).groupby(month).median()
        out[k] = pd.Series(month).map(ratio.interpolate(limit_direction="both").fillna(1.0)).to_numpy()
    return out


def _ratios(
    model: SiteModel, blocks: Blocks, log: InverterLog, off: Off, limits: Limits, snow: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """
    ln(measured / expected) of each inverter and block over usable intervals, and the expected energy behind it.

    Usable: logged, running, free of snow, sun high enough, not held down, and with nothing wrong still under its limits.
    """
    could = inverter_ac(model)
    export = np.inf if model.site.export_limit_kw is None else model.site.export_limit_kw
    under = (could < 0.97 * model.rating) & (could.sum(axis=0) * model.to_meter < 0.97 * export)
    usable = (
        np.isfinite(log.ac)
        & _well_after(off.running)
        & (snow >= 1.0)
        & under
        & (could > 0.02 * model.rating)
        & (model.sun.elevation > 5.0)
        & ~np.isfinite(limits.site_cap)
        & ~_at_setting(model, log, limits, could)
        & ~np.isfinite(limits.heat)
        & (log.ac > 0.003 * model.rating)
        & ~model.weather.modelled[model.at]
    )
    hours = model.weather.hours
    measured = blocks.total(np.where(usable, log.ac, 0.0) * hours)
    expected = blocks.total(np.where(usable, could, 0.0) * hours)
    whole = blocks.total(could * hours)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(expected > 0.3 * whole, np.log(measured / expected), np.nan)
    ratio = np.where(np.isfinite(ratio), ratio, np.nan)
    return ratio, np.where(np.isfinite(ratio), expected, 0.0)


def _at_setting(model: SiteModel, log: InverterLog, limits: Limits, could: np.ndarray) -> np.ndarray:
    """
    Where a limit left on holds an inverter, shape of `could`: at its level at any reading, or near it if readings are no finer.

    Under broken clouds an hour's mean is far below a limit that held half of it, and would be taken for shade.
    """
    if log.readings is None:
        return np.asarray((could > 0.97 * limits.setting) & (log.ac > _NEAR_LIMIT * limits.setting))
    fine, top = at_own_interval(model, log), np.zeros_like(could)
    for row, ac in zip(top, fine.ac, strict=True):
        np.maximum.at(row, fine.slot, np.nan_to_num(ac))
    return np.asarray(top > 0.97 * limits.setting)


def _well_after(running: np.ndarray) -> np.ndarray:
    """Running, and so in the intervals on either side: starts and stops run at part power."""
    before = np.concatenate([running[:, :1], running[:, :-1]], axis=1)
    after = np.concatenate([running[:, 1:], running[:, -1:]], axis=1)
    return running & before & after


def _effects(model: SiteModel, blocks: Blocks, posterior: Posterior, off: Off, limits: Limits, snow: np.ndarray) -> list[Effect]:
    shape = blocks.expected.shape
    effects = []
    for cause in DC_CAUSES:
        loss = posterior.loss(cause, *shape)
        if np.any(loss != 0.0):
            effects.append(Effect(cause, dc_factor=np.exp(-loss)[:, blocks.of]))
    fall = posterior.loss("inverter_efficiency", *shape)
    heat = limits.heat if np.isfinite(limits.heat).any() else None
    if np.any(fall != 0.0) or heat is not None:
        effects.append(Effect("inverter_efficiency", ac_factor=np.exp(-fall)[:, blocks.of], cap=heat))
    if (snow < 1.0).any():
        effects.append(Effect("snow", ac_factor=snow))
    if (off.inverter < 1.0).any():
        effects.append(Effect("inverter_outage", ac_factor=off.inverter))
    if (off.grid < 1.0).any():
        effects.append(Effect("grid_outage", ac_factor=off.grid))
    setting = limits.setting if np.isfinite(limits.setting).any() else None
    held = limits.site_cap if np.isfinite(limits.site_cap).any() else None
    if setting is not None or held is not None:
        effects.append(Effect("curtailment", cap=setting, site_cap=held))
    if model.site.power_factor < 1.0:
        kva = np.array([[i.inverter_type.ac_rated_kva] for i in model.site.inverters])
        cap = np.broadcast_to(kva * model.site.power_factor, model.dc.shape)
        effects.append(Effect("reactive_power", cap=np.array(cap)))
    return effects
