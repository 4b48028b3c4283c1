"""
What each kind of string fault would show in a round, and how likely it is before any reading.

Every kind is a circuit: its severity runs over a small grid, and the circuit's key points
against a sound string's are the signature that readings are held against.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from yieldwatch.expected.module import Module
from yieldwatch.gap.curves import Part, circuit_key_points

#: What is compared, as logarithms of the ratio to a sound string but for `slope_sc`, a difference: of a trace, open-circuit
#: voltage at own light, i_mp/i_sc, v_mp/v_oc, short-circuit current, slopes of the curve at both ends; of a look at the strings'
#: log, the current in bright light and in dim.
QUANTITIES = ("v_oc", "i_ratio", "v_ratio", "i_sc", "slope_sc", "slope_oc", "bright", "dim")
#: Light of the log's two quantities where none is logged, and their cell temperatures. [W/m², °C]
LOGGED_LIGHT, LOGGED_TEMP = (750.0, 200.0), (45.0, 20.0)
#: Strings that share an input work at one voltage, and one with volts missing gives up somewhat more current than its share:
#: doubt of a logged current, as a share of the loss. Common practice, no source.
_SHARED_INPUT = 0.25
#: Share of strings expected to have a fault of the kind before any reading. Common practice, no source:
#: about two strings in a hundred in all.
FAULT_PRIOR = {"open": 0.004, "bypass_short": 0.004, "wrong_count": 0.002, "series_resistance": 0.004,
               "shunt": 0.004, "current_low": 0.0052}
#: What lies on the glass of a module or two, as droppings, leaves and weeds do: it makes groups of cells be carried past by their
#: diodes, as cracked modules do. Share of strings that have it, the light that it leaves the groups under it, and the most
#: that it takes of a string. Common practice, no source.
ON_GLASS = "on_glass"
_ON_GLASS_PRIOR, _UNDER_IT, MOST_ON_GLASS = 0.03, 0.5, 0.1
#: Kinds that may get worse from round to round.
GROWING = ("series_resistance", "shunt", "current_low")
#: How a kind's deviation follows the light on the string: resistance takes volts in proportion to current; a
#: shunt takes a fixed current out of a smaller one.
LIGHT_EXPONENT = {"series_resistance": 1.0, "shunt": -1.0}
#: Least loss of power that is called a fault: twice the uncertainty of power between strings of one visit
#: (`stc_uncertainty`). Less is makers' spread.
LEAST_SHARE = 0.015
#: Places in `QUANTITIES` that dirt moves, and the doubt of each beside the circuit's.
_OF_LIGHT = [QUANTITIES.index(name) for name in ("i_sc", "bright", "dim")]
_MORE_SLACK = np.array([_SHARED_INPUT if name in ("bright", "dim") else 0.0 for name in QUANTITIES])
#: Light of weak groups that is looked at, by what they take off the current where they limit it [ln]; the light from which
#: they limit nothing, and the range over which all light is as likely. Common practice, no source.
_LIMITED = np.array([0.02, 0.035, 0.05, 0.07, 0.09, 0.115, 0.15, 0.2, 0.26, 0.34, 0.45])
_LEFT_AT_BEST, _DARKEST, _LIGHTEST = 0.95, 0.4, 0.97
#: Where a string works as well past its weak groups as with them: the voltage at a limited current is the higher. Single-diode
#: circuits have 0.93 to 0.98, from strong light to weak and from many groups to one.
_EVEN = 0.955
#: Strings weak in all their modules alike for each that is weak in some, so 1.2 in a thousand. Common practice, no source.
_WEAK_ALIKE = 0.3
#: Depth of dirt on one string beyond its peers, and the chance that it is there as before after a wash of both: droppings and
#: lichen stay, up to about a tenth of the light; dust does not. Common practice, no source.
_DIRT_DEPTHS = {0.04: 1.0, 0.08: 0.3, 0.15: 0.005, 0.25: 0.001, 0.4: 0.001}


@dataclass(frozen=True)
class Severities:
    """
    Grid of one string type's possible faults.

    Attributes
    ----------
    kind : ndarray of str, shape (n,)
    weight : ndarray, shape (n,)
        Prior over severity within the kind; sums to one a kind.
    mean : ndarray, shape (n, n_rounds, 8)
        Expected deviation, by `QUANTITIES`; NaN for an open string.
    share_lost : ndarray, shape (n, n_rounds)
        Of the string's own power at its maximum power point.
    slack : ndarray, shape (n,)
        Relative doubt of `mean`: the grid is coarse, and a real defect is not quite the circuit.
    """

    kind: np.ndarray
    weight: np.ndarray
    mean: np.ndarray
    share_lost: np.ndarray
    slack: np.ndarray


def severities(
    module: Module,
    modules: int,
    conditions: list[tuple[float, float]],
    alone: bool = False,
    logged_light: tuple[float, float] = LOGGED_LIGHT,
) -> Severities:
    """
    Signatures of every kind of fault, of every severity, in every round.

    Parameters
    ----------
    module : Module
    modules : int
        In series, by `strings.csv`.
    conditions : list of (poa [W/m²], temp_cell [°C])
        One a round.
    alone : bool
        Whether the string has an input of its own: then it works at its own voltage, and lost volts leave its current.
    logged_light : tuple of float
        At which the log's two quantities are read. [W/m²]

    Returns
    -------
    Severities
    """
    kind, weight, slack, circuit = _grid(module, modules)
    sound_groups, odd_groups, light, shunt, series = circuit.T
    mean = np.full((len(kind), len(conditions), len(QUANTITIES)), np.nan)
    share = np.ones((len(kind), len(conditions)))
    real = kind != "open"
    whole = float(modules * module.module_type.bypass_diodes)

    @cache
    def points(poa: float, temp: float) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        sound = circuit_key_points(module, poa, temp, (Part(whole),))
        return sound, circuit_key_points(module, poa, temp, (
            Part(sound_groups[real]), Part(odd_groups[real], light[real], shunt[real])), series[real])

    logged = []
    for at in zip(logged_light, LOGGED_TEMP, strict=True):
        sound, found = points(*at)
        logged.append(np.log(found["i_mp" if alone else "p_mp"] / sound["i_mp" if alone else "p_mp"]))
    for r, at in enumerate(conditions):
        sound, found = points(*at)
        mean[real, r] = np.stack([
            np.log(found["v_oc"] / sound["v_oc"]),
            np.log(found["i_mp"] / found["i_sc"] / (sound["i_mp"] / sound["i_sc"])),
            np.log(found["v_mp"] / found["v_oc"] / (sound["v_mp"] / sound["v_oc"])),
            np.log(found["i_sc"] / sound["i_sc"]),
            found["slope_sc"] - sound["slope_sc"], np.log(found["slope_oc"] / sound["slope_oc"]), *logged], axis=1)
        share[real, r] = 1.0 - found["p_mp"] / sound["p_mp"]
    return Severities(kind, weight, mean, share, slack)


#: One severity: kind, weight, slack, and (sound groups, odd groups, their light, their shunt factor, series
#: ohms).
_Row = tuple[str, float, float, tuple[float, float, float, float, float]]


def _grid(module: Module, modules: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Kind, weight, slack and circuit of every severity; weights sum to one a kind."""
    parts = (_pieces_missing, _resistances, _weak_groups, _on_glass)
    rows = [row for part in parts for row in part(module, modules)]
    kind = np.array([row[0] for row in rows])
    weight = np.array([row[1] for row in rows])
    for name in np.unique(kind):
        weight[kind == name] /= weight[kind == name].sum()
    return kind, weight, np.array([row[2] for row in rows]), np.array([row[3] for row in rows])


def _pieces_missing(module: Module, modules: int) -> list[_Row]:
    diodes = module.module_type.bypass_diodes
    whole = float(modules * diodes)
    rows: list[_Row] = [("open", 1.0, 0.0, (whole, 0.0, 1.0, 1.0, 0.0))]
    for k in range(1, max(2, min(12, int(whole // 4))) + 1):
        rows.append(("bypass_short", 1.0 / k, 0.03, (whole - k, 0.0, 1.0, 1.0, 0.0)))
    for k, chance in ((-1, 0.5), (1, 0.25), (-2, 0.15), (2, 0.10)):
        if modules + k > 0:
            rows.append(("wrong_count", chance, 0.03, (whole + k * diodes, 0.0, 1.0, 1.0, 0.0)))
    return rows


def _resistances(module: Module, modules: int) -> list[_Row]:
    plate, whole = module.module_type, float(modules * module.module_type.bypass_diodes)
    ohm = plate.v_mp_v / plate.i_mp_a
    rows: list[_Row] = []
    for x in np.geomspace(0.01, 0.4, 12):
        # A joint that drops a tenth of the voltage dissipates hundreds of watts and seldom lasts.
        usual = float(np.exp(-0.5 * np.log(x / 0.05) ** 2))
        rows.append(("series_resistance", usual, 0.10, (whole, 0.0, 1.0, 1.0, float(x * ohm * modules))))
    for x in np.geomspace(0.01, 0.5, 10):
        leak = float(ohm / x)
        for part in (1.0, 0.4):
            factor = leak / (leak + module.parameters["R_sh_ref"])
            rows.append(("shunt", 0.5, 0.15, (whole * (1.0 - part), whole * part, 1.0, factor, 0.0)))
    return rows


def _weak_groups(module: Module, modules: int) -> list[_Row]:
    whole = float(modules * module.module_type.bypass_diodes)
    best = module.module_type.i_mp_a / module.module_type.i_sc_a
    rows: list[_Row] = [
        ("current_low", share / k, 0.10, (whole - k, float(k), float(light), 1.0, 0.0))
        for k in (1, 2, 3, 4, 5, 6, 8, 10, 12, 15)
        if k < whole / 2
        for light, share in zip(*_lights(best * (1.0 - k / whole)), strict=True)
    ]
    # Every module weak alike: dirt is the usual reason for this, unless it stays when all is washed (`lasting_dirt`).
    alike = _WEAK_ALIKE * sum(row[1] for row in rows) / 4.0
    rows.extend(("current_low", alike, 0.20, (0.0, whole, light, 1.0, 0.0)) for light in (0.93, 0.87, 0.8, 0.65))
    return rows


def _lights(carried: float) -> tuple[np.ndarray, np.ndarray]:
    """
    Light of weak groups, as a share, and how much of all light that may be each stands for.

    Groups with little light are carried past by their diodes, and all of those show the same; the others limit the current. Near
    `_EVEN` of `carried`, the current whose loss is that of the groups' voltage, readings change from one to the other.
    """
    even = _EVEN * carried
    limits = _LEFT_AT_BEST * np.exp(-_LIMITED)
    light = np.sort(np.r_[_DARKEST + 0.1, 0.93 * even, even, limits[limits > 1.01 * even]])
    edges = np.r_[_DARKEST, (light[1:] + light[:-1]) / 2.0, _LIGHTEST]
    return light, np.diff(edges) / (_LIGHTEST - _DARKEST)


def _on_glass(module: Module, modules: int) -> list[_Row]:
    whole = float(modules * module.module_type.bypass_diodes)
    covered = [k for k in range(1, int(whole)) if LEAST_SHARE <= k / whole <= MOST_ON_GLASS]
    return [(ON_GLASS, 1.0 / k, 0.10, (whole - k, float(k), _UNDER_IT, 1.0, 0.0)) for k in covered]


@dataclass(frozen=True)
class Histories:
    """
    Every fault with every history over the rounds: sound before `start`, bad from it to before `end`.

    A fault too slight to be called one counts as "ok", with the path it has.

    Attributes
    ----------
    kind : ndarray of str, shape (n,)
        A fault kind, "ok", "soiled" or `ON_GLASS`.
    exponent : ndarray, shape (n,)
        Of the light on the string over the round's usual, by which `mean` is scaled.
    path : ndarray of int, shape (n,)
        Place in `start` and `end`; -1 for a sound string, which has none.
    start, end : ndarray of int, shape (n_paths,)
        `end` is the number of rounds where the fault is still there at the last reading.
    log_prior : ndarray, shape (n,)
        Without the path's own chance, and, for sound and soiled strings, without theirs.
    mean, extra : ndarray, shape (n, n_rounds, 8)
        Expected deviation and the variance added to the reading's own.
    shown : ndarray, shape (n, n_rounds)
        A number for what is expected, the same where it is the same; 0 where that is nothing, and for sound strings.
    bad : ndarray of bool, shape (n, n_rounds)
    share_lost : ndarray, shape (n,)
        At the last round of the path.
    """

    kind: np.ndarray
    exponent: np.ndarray
    path: np.ndarray
    start: np.ndarray
    end: np.ndarray
    log_prior: np.ndarray
    mean: np.ndarray
    extra: np.ndarray
    shown: np.ndarray
    bad: np.ndarray
    share_lost: np.ndarray


#: One history: kind, path, ln of prior, mean, extra, shown, bad and share lost.
_History = tuple[str, int, float, np.ndarray, np.ndarray, np.ndarray, np.ndarray, float]


def histories(grid: Severities) -> Histories:
    """Lay the grid of severities out over every span of rounds."""
    rounds = grid.mean.shape[1]
    start, end = (np.array(x) for x in zip(*((s, e) for s in range(rounds) for e in range(s + 1, rounds + 1)),
                                           strict=True))
    out: list[_History] = []
    out.extend(_sound(rounds))
    none = np.zeros((rounds, len(QUANTITIES)))
    for path, (s, e) in enumerate(zip(start, end, strict=True)):
        bad = (np.arange(rounds) >= s) & (np.arange(rounds) < e)
        for n, depth in enumerate(_DIRT_DEPTHS):
            mean, extra = none.copy(), none.copy()
            for q in _OF_LIGHT:
                mean[bad, q], extra[bad, q] = -depth, (0.4 * depth) ** 2
            out.append(("soiled", path, np.log(0.2), mean, extra, np.where(bad, -1.0 - n, 0.0), bad, 0.0))
        for k, kind in enumerate(grid.kind):
            if kind == "wrong_count" and (s > 0 or e < rounds):
                continue  # the count is wrong from the first day on
            prior = np.log((_ON_GLASS_PRIOR if kind == ON_GLASS else FAULT_PRIOR[kind]) * grid.weight[k])
            firsts = (1.0, 0.5, 0.2) if kind in (*GROWING, ON_GLASS) and bad.sum() > 1 else (1.0,)
            for first in firsts:
                growth = np.where(
                    bad, np.interp(np.arange(rounds), [s, max(e - 1, s + 1)], [first, 1.0]), 0.0
                )
                mean = grid.mean[k] * growth[:, None]
                extra = (np.hypot(grid.slack[k], _MORE_SLACK) * np.nan_to_num(mean)) ** 2
                shown = np.where(bad, 1.0 + k + 0.5 * growth, 0.0)
                share_lost = grid.share_lost[k, e - 1]
                out.append((kind, path, prior - np.log(len(firsts)), mean, extra, shown, bad, share_lost))
    kinds, paths, priors, means, extras, shown_by, bads, shares = zip(*out, strict=True)
    kind, share = np.array(kinds), np.array(shares)
    exponent = np.array([LIGHT_EXPONENT.get(k, 0.0) for k in kinds])
    slight = np.isin(kind, tuple(FAULT_PRIOR)) & (np.abs(share) < LEAST_SHARE)
    return Histories(np.where(slight, "ok", kind), exponent, np.array(paths), start, end, np.array(priors),
                     np.stack(means), np.stack(extras), np.stack(shown_by), np.stack(bads), np.where(slight, 0.0, share))


def lasting_dirt(past: Histories, washed: np.ndarray) -> np.ndarray:
    """
    Log chance that each history's dirt lasts over the washes within it, shape (n_strings, n_histories); 0 for other kinds.

    Parameters
    ----------
    washed : ndarray of bool, shape (n_strings, n_rounds - 1)
        Whether rain or a cleaning washed the string between this round and the next.
    """
    before = np.concatenate([np.zeros((len(washed), 1)), np.cumsum(washed, axis=1)], axis=1)
    out = np.zeros((len(washed), len(past.kind)))
    for h in np.flatnonzero(past.kind == "soiled"):
        first, last = past.start[past.path[h]], past.end[past.path[h]] - 1
        depth = min(_DIRT_DEPTHS, key=lambda d: abs(d + past.mean[h, first, 3]))
        out[:, h] = np.where(before[:, last] > before[:, first], np.log(_DIRT_DEPTHS[depth]), 0.0)
    return out


#: Readings that are off by themselves: chance a trace, how far, and doubt of that. A module temperature read wrong (10 °C moves
#: v_oc by 2.8 % and v_mp/v_oc by 0.7 %); a point beside the top of the curve, which is flat: what the current lacks the voltage
#: has more, and the other way round. Common practice, no source.
_SLIPS: tuple[tuple[float, dict[str, float], dict[str, float]], ...] = (
    (0.01, {}, {"v_oc": 0.02, "v_ratio": 0.006}),
    (0.004, {"i_ratio": 0.015, "v_ratio": -0.015}, {"i_ratio": 0.008, "v_ratio": 0.008}),
    (0.004, {"i_ratio": -0.015, "v_ratio": 0.015}, {"i_ratio": 0.008, "v_ratio": 0.008}),
    (0.001, {"i_ratio": 0.04, "v_ratio": -0.04}, {"i_ratio": 0.015, "v_ratio": 0.015}),
    (0.001, {"i_ratio": -0.04, "v_ratio": 0.04}, {"i_ratio": 0.015, "v_ratio": 0.015}),
)


def _sound(rounds: int) -> list[_History]:
    """A sound string, with every reading right, or one of them off."""
    none, never = np.zeros((rounds, len(QUANTITIES))), np.zeros(rounds, bool)
    any_slip = min(0.5, rounds * sum(chance for chance, _, _ in _SLIPS))
    unseen = np.zeros(rounds)
    out = [("ok", -1, float(np.log(1.0 - any_slip)), none, none, unseen, never, 0.0)]
    for chance, off, doubt in _SLIPS:
        for r in range(rounds):
            mean, extra = none.copy(), none.copy()
            for name, by in off.items():
                mean[r, QUANTITIES.index(name)] = by
            for name, size in doubt.items():
                extra[r, QUANTITIES.index(name)] = size**2
            out.append(("ok", -1, float(np.log(chance)), mean, extra, unseen, never, 0.0))
    return out
