"""
String IV rounds: which traces can be trusted, and what each string shows against its plate and its peers.

The plate comparison carries the light sensor's bias, shared by a whole round; the peer
comparison does not. The first is for the level, the second for the odd string.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.stats import theilslopes

from yieldwatch.expected.reference import cell_from_back, model_to_stc, stc_uncertainty
from yieldwatch.field.tables import SiteData
from yieldwatch.portfolio.model import ModuleType, Site

#: A round ends when no string was traced for longer than this. [days]
ROUND_GAP_DAYS = 10
#: Fewest other strings of the same round, type and plane that make a peer group.
FEWEST_PEERS = 4
# Conditions of a trace: IEC 61829 asks for 700 W/m² on site, IEC 62446-1 for 400 where power is tested
# (both from memory); the steadiness limits are common practice, no source.
_GOOD_LIGHT, _LEAST_LIGHT, _MOST_LIGHT = 700.0, 400.0, 1600.0
_GOOD_DRIFT, _MOST_DRIFT = 0.01, 0.05
_TEMP_RANGE = (-25.0, 95.0)
#: Share of the plate's current at this light below which a string is dark: no dirt takes as much. Common practice, no source.
_DARK = 0.5
#: Quartiles of a shape ratio's logarithm that are farther apart than this are not noise alone; its noise between strings, and the
#: quartile of a normal distribution in standard deviations.
_UNEVEN, _SHAPE_NOISE, _QUARTILE = 0.02, 0.006, 0.6745
#: Where strings differ and that quartile is farther below the plate than this, most stand in shade; no string's shape is farther
#: above it than the second. [ln] Common practice, no source.
_OFF_PLATE, _OVER_PLATE = 0.05, 0.03
_KEYS = ("i_sc", "v_oc", "i_mp", "v_mp", "p_mp")
#: Ratios that a trace is judged by; each has `*_plate` and `*_peer` columns.
SHAPE_RATIOS = ("fill_factor", "i_ratio", "v_ratio")
#: By what each quantity drifts while a round lasts: the light moves currents, the temperature voltages, neither the shape.
_DRIFTS_BY = {
    "i_sc_peer": ("i_sc_plate",),
    "i_mp_peer": ("i_sc_plate",),
    "v_oc_peer": ("v_oc_plate",),
    "v_mp_peer": ("v_oc_plate",),
    "p_mp_peer": ("i_sc_plate", "v_oc_plate"),
    "v_oc_own_peer": ("v_oc_own",),
}
#: Least light in which a string without current is told, half of what other traces need. Common practice, no source. [W/m²]
_ANY_LIGHT = 200.0
#: Days before a trace within which a wash still leaves the string clean. Common practice, no source.
_WASHED_DAYS = 3
#: A trace's note that says that the string was washed for it.
_SAYS_WASHED = r"(?<!not )(?<!yet )(?<!never )(?<!be )\b(?:washed|cleaned)\b"
COLUMNS = (
    "time",
    "round_id",
    "string_id",
    "inverter_id",
    "array_id",
    "module_type",
    "row",
    "trace_id",
    "instrument",
    "poa_global",
    "temp_cell",
    "grade",
    "reason",
    "flags",
    "no_current",
    "washed",
    "own_light",
    *(f"{k}_stc" for k in _KEYS),
    *SHAPE_RATIOS,
    *(f"{k}_plate" for k in _KEYS),
    *(f"{k}_plate" for k in SHAPE_RATIOS),
    *(f"{k}_peer" for k in _KEYS),
    *(f"{k}_peer" for k in SHAPE_RATIOS),
    "v_oc_own",
    "v_oc_own_peer",
    "peers",
    *(f"u_{k}" for k in _KEYS),
    *(f"u_{k}_between" for k in _KEYS),
    "file",
    "line",
)


def assess_rounds(site: Site, data: SiteData) -> pd.DataFrame:
    """
    Bring every trace to standard conditions and hold it against the datasheet and its peers.

    Parameters
    ----------
    site : Site
    data : SiteData
        Its `iv` table is read. [W/m², °C, A, V, W]

    Returns
    -------
    DataFrame
        One row a trace, in order of time, with the columns `COLUMNS`:

        - `round_id`: 1, 2, ...; a new round after more than 10 days without a trace;
        - `grade`: "good", "usable" or "unfit", by conditions and consistency only, `reason` says why not
          good,
          `flags` what is odd in a trace that stays;
        - `*_stc`: value at 1000 W/m², 25 °C [A, V, W]; `fill_factor`, `i_ratio` (i_mp/i_sc) and `v_ratio`
          (v_mp/v_oc), also at standard conditions [unitless];
        - `*_plate`: ratio to the datasheet, for the modules that `strings.csv` counts;
        - `washed`: when the string was washed, by the record of cleanings or by the trace's note, where that was within 3 days
          of the trace (UTC, else NaT);
        - `*_peer`: ratio to the peers of the same round, type and plane; NaN with fewer than 4 peers; what washed strings have
          more of light than the others is taken off their currents first;
        - `own_light`: light on the string by its own short-circuit current [W/m²], and `v_oc_own` (to the datasheet),
          `v_oc_own_peer`, `i_ratio`, `v_ratio` taken at that light, so that a passing cloud or dirt moves only the current;
        - `u_*`: relative standard uncertainty of the value; `u_*_between`: of a difference between strings.

        An unfit trace keeps its row, with NaN from `own_light` on. Empty if there are no traces.
    """
    strings = {s.string_id: s for s in site.strings}
    iv = data.iv[data.iv["string_id"].isin(strings.keys())].sort_values(["time", "string_id"], kind="stable")
    if iv.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    table = iv.reset_index(drop=True)
    for name in ("p_mp", "poa_global_end"):
        if name not in table:
            table[name] = np.nan
    owner = table["string_id"].map(strings)
    table["round_id"] = number_rounds(table["time"])
    for name in ("inverter_id", "array_id", "row"):
        table[name] = [getattr(s, name) for s in owner]
    table["module_type"] = [s.module_type.module_type for s in owner]
    modules = np.array([s.modules_in_series for s in owner], float)
    kinds = {s.module_type.module_type: s.module_type for s in site.strings}
    _set_conditions(table)
    table = pd.concat([table, _grade(table, kinds, modules, site.tz)], axis=1)
    table = pd.concat([table, _at_stc(table, kinds, modules)], axis=1)
    table["washed"] = _washed(table, data.events)
    table = pd.concat([table, _peer_ratios(table)], axis=1)
    return table.reindex(columns=list(COLUMNS))


def number_rounds(time: pd.Series) -> np.ndarray:
    """Number of the round of each trace, counted from 1; `time` must rise."""
    gap = time.diff() > pd.Timedelta(days=ROUND_GAP_DAYS)
    return (gap.cumsum() + 1).to_numpy(int)


def _set_conditions(table: pd.DataFrame) -> None:
    """Light is the mean of start and end; a missing temperature is the round's own median."""
    both = table[["poa_global", "poa_global_end"]]
    table["drift"] = (table["poa_global_end"] / table["poa_global"] - 1.0).abs()
    table["poa_global"] = both.mean(axis=1).where(table["poa_global"].notna())
    median = table.groupby("round_id")["temp_module"].transform("median")
    table["temp_filled"] = table["temp_module"].isna() & median.notna()
    temp = table["temp_module"].fillna(median)
    table["temp_cell"] = cell_from_back(temp.to_numpy(float), table["poa_global"].to_numpy(float))


def _grade(table: pd.DataFrame, kinds: dict[str, ModuleType], modules: np.ndarray, tz: dt.tzinfo) -> pd.DataFrame:
    """
    Grade by conditions and by whether the numbers fit each other; oddities that may be faults only flag.
    """
    light, i_sc, v_oc, i_mp, v_mp = (table[c] for c in ("poa_global", "i_sc", "v_oc", "i_mp", "v_mp"))
    kind = table["module_type"].map(kinds)
    plate_i = np.array([k.i_sc_a for k in kind]) * light / 1000.0
    plate_v = np.array([k.v_oc_v for k in kind]) * modules
    product = i_mp * v_mp
    # That a string gives nothing shows in light that is neither strong nor steady, too.
    nothing = (i_sc < 0.05 * plate_i) & (light >= _ANY_LIGHT)
    repeated = table.duplicated(["round_id", "i_sc", "v_oc", "i_mp", "v_mp"], keep="first") & (i_sc > 0)
    unfit = [
        (light.isna(), "no irradiance was read"),
        ((light < _LEAST_LIGHT) & ~nothing, "irradiance " + _text(light, 0) + " W/m², below 400"),
        (light > _MOST_LIGHT, "irradiance " + _text(light, 0) + " W/m², above what the sun gives"),
        (
            (table["drift"] > _MOST_DRIFT) & ~nothing,
            "irradiance changed by " + _text(100 * table["drift"], 1) + " % in the trace",
        ),
        (table["temp_cell"].isna() & light.notna(), "no module temperature was read in this round"),
        (
            ~table["temp_module"].fillna(25.0).between(*_TEMP_RANGE),
            "module temperature " + _text(table["temp_module"], 0) + " °C is not possible",
        ),
        (table[["i_sc", "v_oc", "i_mp", "v_mp"]].isna().any(axis=1), "a key point is missing"),
        (
            (table[["i_sc", "v_oc", "i_mp", "v_mp"]] < 0).any(axis=1),
            "a key point is negative: check polarity",
        ),
        ((i_mp > 1.01 * i_sc) & (i_mp > 0.1), "i_mp is above i_sc"),
        ((v_mp > 1.005 * v_oc) & (v_mp > 1.0), "v_mp is above v_oc"),
        ((table["p_mp"] / product.where(product > 0) - 1.0).abs() > 0.02, "p_mp is not i_mp × v_mp"),
        (i_sc > 1.4 * plate_i, "i_sc " + _text(i_sc, 2) + " A is above 1.4 × the plate's at this light"),
        (v_oc > 1.4 * plate_v, "v_oc " + _text(v_oc, 0) + " V is above 1.4 × the plate's"),
        (repeated, "same numbers as another trace of the round"),
        (
            _dark_days(table, i_sc / plate_i, tz),
            "most strings of this day gave under half of the current of this light: snow, or light read elsewhere",
        ),
    ]
    usable = [
        (light < _GOOD_LIGHT, "irradiance " + _text(light, 0) + " W/m², below 700"),
        (
            table["drift"] > _GOOD_DRIFT,
            "irradiance changed by " + _text(100 * table["drift"], 1) + " % in the trace",
        ),
        (table["temp_filled"], "module temperature taken from the round's other traces"),
    ]
    fill_factor = product / (i_sc * v_oc).where(i_sc * v_oc > 0)
    flags = [
        (i_sc < 0.05 * plate_i, "no current"),
        ((fill_factor < 0.60) | (fill_factor > 0.85), "fill factor " + _text(fill_factor, 2)),
        ((i_sc / plate_i - 1.0).abs() > 0.15, "i_sc more than 15 % off the plate at this light"),
    ]
    is_unfit, why_unfit = _joined(unfit)
    is_usable, why_usable = _joined(usable)
    grade = np.where(is_unfit, "unfit", np.where(is_usable, "usable", "good"))
    return pd.DataFrame({"grade": grade, "reason": np.where(is_unfit, why_unfit, why_usable),
                         "flags": _joined(flags)[1], "no_current": (i_sc < 0.05 * plate_i) & ~is_unfit})


def _dark_days(table: pd.DataFrame, share: pd.Series, tz: dt.tzinfo) -> pd.Series:
    """Traces of local days on which more than half of four or more gave under `_DARK` of the current of their light."""
    day = table["time"].dt.tz_convert(tz).dt.date
    dark = share[table["poa_global"] >= _LEAST_LIGHT].lt(_DARK).groupby(day)
    bad = dark.mean().gt(0.5) & dark.size().ge(4)
    return day.map(bad).fillna(False).astype(bool)


def _text(values: pd.Series, digits: int) -> pd.Series:
    return values.map(lambda x: f"{x:.{digits}f}")


def _joined(rules: Sequence[tuple[pd.Series, object]]) -> tuple[np.ndarray, np.ndarray]:
    hit = np.stack([rule.fillna(False).to_numpy(bool) for rule, _ in rules], axis=1)
    words = [np.broadcast_to(np.asarray(word, dtype=object), hit.shape[:1]) for _, word in rules]
    said = [
        "; ".join(str(word[k]) for word, yes in zip(words, row, strict=True) if yes)
        for k, row in enumerate(hit)
    ]
    return np.asarray(hit.any(axis=1)), np.array(said, dtype=object)


def _at_stc(table: pd.DataFrame, kinds: dict[str, ModuleType], modules: np.ndarray) -> pd.DataFrame:
    out = pd.DataFrame(index=table.index, dtype=float)
    fit = (table["grade"] != "unfit").to_numpy()
    for name, kind in kinds.items():
        at = np.flatnonzero(fit & (table["module_type"] == name).to_numpy())
        rows = table.iloc[at]
        plate = {
            k: getattr(kind, f"{k}_{'a' if k[0] == 'i' else 'v'}") for k in ("i_sc", "v_oc", "i_mp", "v_mp")
        }
        to_stc = model_to_stc(kind, rows["poa_global"].to_numpy(float), rows["temp_cell"].to_numpy(float))
        for k in ("i_sc", "v_oc", "i_mp", "v_mp"):
            out.loc[rows.index, f"{k}_stc"] = rows[k] * to_stc[k]
            out.loc[rows.index, f"{k}_plate"] = (
                rows[k] * to_stc[k] / (plate[k] * (modules[at] if k[0] == "v" else 1.0)))
        out.loc[rows.index, "p_mp_stc"] = rows["i_mp"] * rows["v_mp"] * to_stc["i_mp"] * to_stc["v_mp"]
        out.loc[rows.index, "p_mp_plate"] = (
            out.loc[rows.index, "i_mp_plate"] * out.loc[rows.index, "v_mp_plate"]
        )
        for between in (False, True):
            u = stc_uncertainty(kind, between)
            for k in _KEYS:
                out.loc[rows.index, f"u_{k}{'_between' if between else ''}"] = getattr(u, k)
        out = _own_light_columns(out, rows, kind, plate, modules[at])
    out["fill_factor"] = (out["p_mp_stc"] / (out["i_sc_stc"] * out["v_oc_stc"])).where(~table["no_current"])
    out["fill_factor_plate"] = out["p_mp_plate"] / (out["i_sc_plate"] * out["v_oc_plate"]).where(
        ~table["no_current"]
    )
    return out


def _own_light_columns(out: pd.DataFrame, rows: pd.DataFrame, kind: ModuleType, plate: dict[str, float],
                       modules: np.ndarray) -> pd.DataFrame:
    """
    Voltage and shape at the light that the string's own current shows.

    The sensor may stand in sun while a cloud or dirt is on the string, and the other way round; the
    short-circuit current is the better sensor of what the cells get.
    """
    level = out.loc[rows.index, "i_sc_plate"].where(~rows["no_current"])
    usual = level.groupby(rows["round_id"]).transform("median")
    own = (level / usual * rows["poa_global"]).to_numpy(float)
    to_stc = model_to_stc(kind, own, rows["temp_cell"].to_numpy(float))
    v_oc = rows["v_oc"] * to_stc["v_oc"]
    out.loc[rows.index, "own_light"] = own
    out.loc[rows.index, "v_oc_own"] = v_oc / (plate["v_oc"] * modules)
    out.loc[rows.index, "i_ratio"] = (
        rows["i_mp"] * to_stc["i_mp"] / (rows["i_sc"] * to_stc["i_sc"]).where(level > 0)
    )
    out.loc[rows.index, "v_ratio"] = rows["v_mp"] * to_stc["v_mp"] / v_oc.where(v_oc > 0)
    out.loc[rows.index, "i_ratio_plate"] = out.loc[rows.index, "i_ratio"] / (plate["i_mp"] / plate["i_sc"])
    out.loc[rows.index, "v_ratio_plate"] = out.loc[rows.index, "v_ratio"] / (plate["v_mp"] / plate["v_oc"])
    return out


def _washed(table: pd.DataFrame, events: pd.DataFrame) -> pd.Series:
    """When each trace's string was last washed within `_WASHED_DAYS`; by a note alone, at the trace."""
    notes = table["note"].astype("string").str.lower() if "note" in table else pd.Series(pd.NA, table.index, dtype="string")
    out = table["time"].where(notes.str.contains(_SAYS_WASHED, na=False))
    cleaned = events[events["kind"] == "cleaning"] if len(events) else events
    for start, scope in zip(cleaned["start"], cleaned["scope"], strict=True):
        since = table["time"] - start
        inside = (since >= pd.Timedelta(0)) & (since <= pd.Timedelta(days=_WASHED_DAYS))
        if inside.any():
            meant = table["string_id"].isin(scope) | table["inverter_id"].isin(scope) | ("site" in scope)
            out = out.mask(inside & meant, start)
    return out


def _peer_ratios(table: pd.DataFrame) -> pd.DataFrame:
    out = pd.DataFrame(index=table.index, dtype=float)
    out["peers"] = 0.0
    sources = {**{f"{k}_peer": f"{k}_plate" for k in (*_KEYS, *SHAPE_RATIOS)}, "v_oc_own_peer": "v_oc_own"}
    sound = table[(table["grade"] != "unfit")]
    for _, rows in sound.groupby(["round_id", "module_type", "array_id"], sort=False):
        minutes = (rows["time"] - rows["time"].iloc[0]).dt.total_seconds().to_numpy() / 60.0
        gain = _gain_by_wash(rows)
        dead = rows["no_current"].to_numpy(bool)
        drift = {
            "i_sc_plate": _drift(rows["i_sc_plate"].to_numpy(float) / gain, dead, minutes),
            **{name: _drift(rows[name].to_numpy(float), dead, minutes) for name in ("v_oc_plate", "v_oc_own")},
        }
        for target, source in sources.items():
            value = rows[source].to_numpy(float)
            if target in ("i_sc_peer", "i_mp_peer", "p_mp_peer"):
                value = value / gain
            value = value / np.exp(minutes * sum(drift[name] for name in _DRIFTS_BY.get(target, ())))
            ratio, peers = _to_peers(value, dead, target in ("i_ratio_peer", "v_ratio_peer"))
            out.loc[rows.index, target] = ratio
            if target == "i_sc_peer":
                out.loc[rows.index, "peers"] = peers
    return out


def _gain_by_wash(rows: pd.DataFrame) -> np.ndarray:
    """What each trace has more of current because its string alone was washed, as a factor."""
    washed = rows["washed"].notna().to_numpy()
    level = rows["i_sc_plate"].where(~rows["no_current"]).to_numpy(float)
    if np.isfinite(level[washed]).sum() == 0 or np.isfinite(level[~washed]).sum() < 2:
        return np.ones(len(rows))
    more = np.nanmedian(level[washed]) / np.nanmedian(level[~washed])
    return np.where(washed, max(more, 1.0), 1.0)


def _drift(value: np.ndarray, dead: np.ndarray, minutes: np.ndarray) -> float:
    """
    Drift of the light, or of the temperature, over the round. [ln a minute]

    A line through the median of all pairwise slopes (Theil and Sen), which 29 % of odd strings cannot move; 0 where its 90 %
    interval does not exclude that.
    """
    living = (value > 0) & ~dead
    if living.sum() <= 7 or np.ptp(minutes[living]) == 0:
        return 0.0
    slope, _, low, high = theilslopes(np.log(value[living]), minutes[living], alpha=0.90)
    return float(slope) if low > 0 or high < 0 else 0.0


def _to_peers(value: np.ndarray, dead: np.ndarray, only_falls: bool) -> tuple[np.ndarray, np.ndarray]:
    """
    Ratio of each value to its peers' median, and how many they are.

    What shade and faults only lower (`only_falls`) has its peers' upper quartile for their level where they differ by more than
    noise: most of them may stand in shade. Where even that is far below the plate, the best of them are the level.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.where(value > 0, np.log(np.where(value > 0, value, 1.0)), np.nan)
    living = np.isfinite(log) & ~dead
    peers = np.full(len(value), living.sum()) - living
    out = np.full(len(value), np.nan)
    for k in range(len(value)):
        others = living.copy()
        others[k] = False
        if others.sum() >= FEWEST_PEERS and np.isfinite(log[k]):
            low, usual, high = np.quantile(log[others], [0.25, 0.5, 0.75])
            if only_falls and high - low > _UNEVEN:
                usual = high - _QUARTILE * _SHAPE_NOISE
                believed = log[others & (log < _OVER_PLATE)]
                if usual < -_OFF_PLATE and len(believed):
                    usual = np.median(believed[believed > believed.max() - _UNEVEN])
            out[k] = np.exp(log[k] - usual)
        elif others.sum() >= FEWEST_PEERS and value[k] == 0:
            out[k] = 0.0
    return out, peers
