"""
How well shade explains a string's readings: shade alone, or shade that falls in some rounds on a string with a fault.

Shade moves with the sun and changes from round to round; a fault stays. So each round may be in shade or not, and what the fault
takes is taken in all of its rounds.
"""

from __future__ import annotations

import numpy as np

from yieldwatch.gap.likelihood import NO_CURRENT, Spread, chance_of_cloud, in_passing_light
from yieldwatch.gap.signatures import QUANTITIES, Histories

_CURRENT, _SLOPE_SC, _SLOPE_OC, _BRIGHT, _DIM = (
    QUANTITIES.index(name) for name in ("i_sc", "slope_sc", "slope_oc", "bright", "dim")
)
#: Share of rounds in which a shaded string is in the shade, and the sun's elevations at which it is so: what stands over 60° high
#: stands very near. And the elevation that stands for a look at the log. [°] Common practice, no source.
_SHADE_ROUND, _SUN, _USUAL_SUN = (0.6, 0.25, 0.03), (20.0, 60.0, 80.0), 40.0
#: What stands far off shades with a low sun only, and more strings than what stands near: how many for each of those, and the
#: share of rounds in which it does, by the sun's elevation. [°] Common practice, no source.
_FAR_OFF, _FAR_SHADE_ROUND, _LOW_SUN = 8.0, (0.8, 0.4, 0.12, 0.02, 0.0), (15.0, 22.0, 32.0, 45.0, 55.0)
#: Log loss by shade: some slight, most anything up to half of the power, a little up to nearly all. Common practice, no source.
_SHADE_SLIGHT, _SHADE_DEEP, _SHADE_DEEPEST = 0.08, 0.7, 4.6
#: Loss from which shade moves the rest of the curve in full, less in proportion. [ln] Common practice, no source.
_SHADE_WHOLE = 0.1
_STATES = {"voltage": 0.45, "current": 0.45, "both": 0.10}
#: Makers' offsets that are summed over, for each of three quantities (Gauss-Hermite), and their weights.
_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(3)
_LOG_WEIGHTS = np.log((_WEIGHTS[:, None, None] * _WEIGHTS[:, None] * _WEIGHTS).ravel() / _WEIGHTS.sum() ** 3)


def log_likelihood_shaded(
    y: np.ndarray, dead: np.ndarray, doubt: np.ndarray, elevation: np.ndarray, spread: Spread
) -> np.ndarray:
    """
    Log likelihood of each string's readings if something shades it in some rounds, the more likely the lower the sun.

    Shade takes any size and changes from round to round: bypass diodes conduct, or a few groups limit the current. It is that of
    things near, or of things far off, which more strings meet but with a low sun only.

    Parameters
    ----------
    y, doubt : ndarray, shape (n_strings, n_rounds, 8)
    dead : ndarray of bool, shape (n_strings, n_rounds)
    elevation : ndarray, shape (n_strings, n_rounds)
        Of the sun; NaN for a look at the log. [°]
    spread : Spread

    Returns
    -------
    ndarray, shape (n_strings,)
    """
    cloudy, states = chance_of_cloud(y, spread), _states(y, doubt, spread)

    def explained(in_shade: np.ndarray) -> np.ndarray:
        total = _mixed(*states, in_shade).sum(axis=2)
        passing = _current(y, doubt, in_shade, cloudy, spread).sum(axis=1)
        return np.asarray(np.logaddexp.reduce(total + _LOG_WEIGHTS[:, None], axis=0) + passing)

    far = _chance_of_far_shade(elevation)
    near_or_far = _or_far(explained(_chance_of_shade(elevation)), explained(far), explained(np.zeros_like(far)), far)
    return near_or_far - NO_CURRENT * dead.sum(axis=1)


def log_likelihood_faulty_in_shade(
    y: np.ndarray,
    dead: np.ndarray,
    light: np.ndarray,
    doubt: np.ndarray,
    elevation: np.ndarray,
    past: Histories,
    spread: Spread,
    which: np.ndarray,
) -> np.ndarray:
    """
    The same, of a string that is faulty or dirty besides: what the fault of each history leaves is held against shade.

    Overcast days tell nothing of such a string: an obstacle takes its part of the sky for good, as a fault does of the current.

    Parameters
    ----------
    y, dead, light, doubt
        As in `log_likelihood`.
    elevation : ndarray, shape (n_strings, n_rounds)
    past : Histories
    spread : Spread
    which : ndarray of bool, shape (n_strings,)
        Strings wanted.

    Returns
    -------
    ndarray, shape (n_strings, n_histories)
        -inf for other strings, and for sound histories.
    """
    out = np.full((len(y), len(past.kind)), -np.inf)
    at = np.flatnonzero(past.kind != "ok")
    if not which.any():
        return out
    in_shade, cloudy = _chance_of_shade(elevation), chance_of_cloud(y, spread)
    is_open = (past.kind[at] == "open")[:, None] & past.bad[at]
    # Many histories show the same in a round.
    alike = [np.unique(past.shown[at, r], return_index=True, return_inverse=True)[1:] for r in range(y.shape[1])]
    for k in np.flatnonzero(which):
        seen = dead[k] | np.isfinite(y[k]).any(axis=1)
        total, more = np.zeros((len(_LOG_WEIGHTS), len(at))), -NO_CURRENT * ((dead[k] != is_open) & seen).sum(axis=1)
        for r in np.flatnonzero(np.isfinite(y[k]).any(axis=1)):
            first, place = alike[r]
            one = at[first]
            scale = 1.0 if np.isnan(light[k, r]) else light[k, r] ** past.exponent[one]
            expected, unsure = np.nan_to_num(past.mean[one, r]) * np.reshape(scale, (-1, 1)), doubt[k, r] + past.extra[one, r]
            expected[:, _DIM], unsure[:, _DIM] = 0.0, doubt[k, r, _DIM]
            residual, unsure = (y[k, r] - expected)[:, None], unsure[:, None]
            shade = in_shade[k, r : r + 1]
            total += _mixed(*_states(residual, unsure, spread), shade)[:, place, 0]
            more = more + _current(residual, unsure, shade, cloudy[k, r : r + 1], spread)[place, 0]
        out[k, at] = np.logaddexp.reduce(total + _LOG_WEIGHTS[:, None], axis=0) + more
    return out


def _chance_of_far_shade(elevation: np.ndarray) -> np.ndarray:
    return np.asarray(np.interp(np.where(np.isnan(elevation), _USUAL_SUN, elevation), _LOW_SUN, _FAR_SHADE_ROUND))


def _or_far(near: np.ndarray, far: np.ndarray, clear: np.ndarray, in_shade: np.ndarray) -> np.ndarray:
    """
    Log likelihood of shade of things near or far off, relative to the chance of the near.

    A string that far shade fell on in none of its rounds, `clear`, shows nothing of it and does not count as shaded.
    """
    none = np.log1p(-in_shade).sum(axis=-1) + clear
    with np.errstate(divide="ignore"):
        seen = far + np.log1p(-np.exp(np.minimum(none - far, 0.0)))
    return np.logaddexp(near, np.log(_FAR_OFF) + seen)


def _chance_of_shade(elevation: np.ndarray) -> np.ndarray:
    return np.asarray(np.interp(np.where(np.isnan(elevation), _USUAL_SUN, elevation), _SUN, _SHADE_ROUND))


def _states(y: np.ndarray, doubt: np.ndarray, spread: Spread) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Whether voltage and shape were read, and their density by makers' offsets, (3, 3, 3, n, n_rounds), clear and in shade."""
    known = np.isfinite(y[:, :, :3]).all(axis=2)
    y = np.nan_to_num(y[:, :, :3])
    sd = [np.sqrt(spread.noise[q] ** 2 + doubt[:, :, q]) for q in range(3)]
    v, i, b = (y[:, :, q] - spread.maker[q] * _POINTS[:, None, None] for q in range(3))

    def normal(x: np.ndarray, q: int, shift: float | np.ndarray = 0.0, more: float | np.ndarray = 0.0) -> np.ndarray:
        s = np.hypot(sd[q], more)
        return np.exp(-0.5 * ((x - shift) / s) ** 2) / (s * np.sqrt(2.0 * np.pi))

    def loss(x: np.ndarray, q: int) -> np.ndarray:
        fade = 1.0 / (1.0 + np.exp(np.clip((x + 0.01) / (0.5 * sd[q]), -50, 50)))
        return fade * _loss_density(x) + 1e-9

    # Shaded cells also lose a little open-circuit voltage, and what shade does not take moves with what it takes.
    depth = np.clip(-np.minimum(y[:, :, 1], y[:, :, 2]) / _SHADE_WHOLE, 0.1, 1.0)
    clear_v, dim = (x[:, None, None] for x in (normal(v, 0), normal(v, 0, -0.008 * depth, 0.008 * depth)))
    clear_i, near_i, less_i = (x[None, :, None] for x in (normal(i, 1), normal(i, 1, 0.0, 0.02 * depth), loss(i, 1)))
    clear_b, more_b, less_b = (x[None, None] for x in (normal(b, 2), normal(b, 2, 0.02 * depth, 0.03 * depth), loss(b, 2)))
    shade = dim * (_STATES["voltage"] * less_b * near_i + less_i * (_STATES["current"] * more_b + _STATES["both"] * less_b))
    return known, clear_v * clear_i * clear_b, shade


def _mixed(known: np.ndarray, clear: np.ndarray, shade: np.ndarray, in_shade: np.ndarray) -> np.ndarray:
    """Log density by makers' offsets, (27, n, n_rounds); 0 where not read."""
    mixed = (1.0 - in_shade) * clear + in_shade * shade
    return np.where(known, np.log(mixed + 1e-300), 0.0).reshape(-1, *known.shape)


def _current(y: np.ndarray, doubt: np.ndarray, in_shade: np.ndarray, cloudy: np.ndarray, spread: Spread) -> np.ndarray:
    """Log density of current and slopes, (n, n_rounds): both may be off in shade, and nothing is said of how."""
    variance = spread.noise[_CURRENT] ** 2 + spread.maker[_CURRENT] ** 2 + doubt[:, :, _CURRENT]
    current = np.nan_to_num(y[:, :, _CURRENT])
    off = np.minimum(2.0 * cloudy, 0.5)
    normal = np.exp(-0.5 * current**2 / variance) / np.sqrt(2.0 * np.pi * variance)
    out = np.where(np.isfinite(y[:, :, _CURRENT]), np.log(
        (1.0 - off) * normal + off * in_passing_light(current)), 0.0)
    for q, wide in ((_SLOPE_SC, 0.10), (_SLOPE_OC, 0.35)):
        scale = np.sqrt(spread.noise[q] ** 2 + wide**2 + doubt[:, :, q])
        value = np.nan_to_num(y[:, :, q])
        out += np.where(
            np.isfinite(y[:, :, q]), -0.5 * (value / scale) ** 2 - np.log(scale * np.sqrt(2 * np.pi)), 0.0
        )
    # A logged current is that of the day's better hours: shade that lasts all day may take any part of it.
    for q, share, maker in ((_BRIGHT, in_shade, 0.0), (_DIM, 0.5 * in_shade, spread.maker[_DIM])):
        scale = np.sqrt(spread.noise[q] ** 2 + spread.maker[_BRIGHT] ** 2 + maker**2 + doubt[:, :, q])
        value = np.nan_to_num(y[:, :, q])
        clear = np.exp(-0.5 * (value / scale) ** 2) / (scale * np.sqrt(2.0 * np.pi))
        # An obstacle hides a part of the sky, and of an overcast one a string gets the rest.
        shade = (value < 0.0) * (value > -_SHADE_DEEP if q == _DIM else 1.0) * _loss_density(value) + 1e-9
        out += np.where(np.isfinite(y[:, :, q]), np.log((1.0 - share) * clear + share * shade + 1e-300), 0.0)
    return out


def _loss_density(x: np.ndarray) -> np.ndarray:
    """Density of a log change `x` by shade, where it is a loss."""
    lost = np.clip(-x, 0.0, None)
    deep = 0.7 * (lost < _SHADE_DEEP) / _SHADE_DEEP + 0.1 * (lost < _SHADE_DEEPEST) / _SHADE_DEEPEST
    return 0.2 * np.exp(-lost / _SHADE_SLIGHT) / _SHADE_SLIGHT + deep
