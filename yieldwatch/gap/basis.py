"""
Which causes the evidence at hand can tell, and how sure "nothing found" is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldwatch.field.tables import SiteData
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.clock_doubt import days_in_doubt
from yieldwatch.gap.mechanisms.shading import SHORTEST_HISTORY
from yieldwatch.gap.mechanisms.snow import UNSEEN_ON_A_DAY, snow_days
from yieldwatch.gap.witness import WITNESS


@dataclass(frozen=True)
class Basis:
    """
    How a cause was told.

    `missed`, `blurred` and `not_it` are set on the errors of drawn farms over their last 12 months; they are no physics. How many
    intervals then held on farms that were not used is in the README. Shade is missed most. To be drawn anew whenever the
    inference changes.

    Attributes
    ----------
    basis : str
        "measured", "prior" or "not_assessed".
    missed : float
        What may have gone unseen, as a share of the expected energy `exposed` to the cause: on every other farm nothing, on one
        in twenty more than this. [fraction]
    blurred : float
        Relative standard uncertainty of the estimate itself beyond the posterior's: that the mechanism's form is only about
        right. [fraction]
    not_it : float
        What of the estimate may be another's in the mean, as a share of the expected energy `exposed` to the cause; one farm in
        twenty has three times as much. [fraction]
    why_not : str
        Why the cause could not be assessed, or only by a prior; empty otherwise.
    """

    basis: str
    missed: float = 0.0
    blurred: float = 0.0
    why_not: str = ""
    not_it: float = 0.0


#: Share of a day's energy in the hour after it grows light, which a log an hour off shows as an outage. Common practice, no
#: source.
_DAWN = 0.02
#: Relative standard uncertainty of a fault's form beyond the posterior's, by its kind; others as `_OTHER_FAULT`.
_FAULT_BLUR = {"open": 0.15, "mended": 0.15, "wrong_count": 0.28, "bypass_short": 0.28}
_OTHER_FAULT = 0.35


def fault_blur(kind: str) -> float:
    """How far a string fault's form is only about right. [fraction, relative]"""
    return _FAULT_BLUR.get(kind, _OTHER_FAULT)


def causes_basis(state: SiteState, data: SiteData) -> dict[str, Basis]:
    """The basis of every cause but the unexplained."""
    log = state.log is not None
    rounds = len(data.iv) > 0
    energy = log or (data.meter is not None and len(data.meter) > 0)
    clamps = len(data.clamp) > 0
    inputs = any(f.cause == "inverter_efficiency" or "inverter_efficiency" in f.instead for f in state.faults)
    with_dc = state.log is not None and bool(np.isfinite(state.log.dc).any())
    late = _DAWN * days_in_doubt(state.blocks, state.clocks)
    no_log = "No interval log of the inverters."
    lasting = _UNSEEN_BY_WITNESSES if any(c.tag == WITNESS for c in state.posterior.columns) else _UNSEEN_DIRT
    return {
        "soiling": Basis("measured", lasting, 0.15 if log else 0.35)
        if energy or rounds
        else Basis("prior", 0.01, 0.5, "No energy data and no IV round."),
        "shading": _shading(state, no_log),
        "snow": _snow(state, energy),
        "string_fault": Basis("measured", 0.006)
        if log or rounds or data.string_current is not None
        else Basis("prior", 0.006, why_not="No IV round, no string current and no interval log: what strings that nobody "
                   "tested may have lost."),
        "inverter_efficiency": _efficiency(log, with_dc or inputs, clamps),
        "inverter_outage": Basis("measured", 0.0003 + late, 0.08)
        if log
        else Basis("prior", _UNSEEN_STOPS, 0.15, no_log + _UNRECORDED),
        "grid_outage": Basis("measured", 0.0003 + late, 0.15)
        if log
        else Basis("prior", _SHORT_STOPS, 0.15, no_log + _UNRECORDED),
        "curtailment": _curtailment(state, no_log),
        "reactive_power": _reactive(state, clamps),
        "degradation": _degradation(state),
    }


def _degradation(state: SiteState) -> Basis:
    level = _LEVEL_OF_AGE[state.log is None]
    if state.yearly is None:
        return Basis("prior", 0.0, level, "Under three full years of data ageing cannot be read from them; its level is "
                     "a published prior for the age.")
    return Basis("measured", 0.0, level, "The rate over the record is the farm's own, year on year; what was lost before "
                 "it is a published prior for the age.")


#: Stops too short for anybody's record, and what is said of the others.
_SHORT_STOPS = 0.001
#: Inverters that trip on wet mornings, or for other reasons of their own that nobody writes down. Set on drawn farms.
_UNSEEN_STOPS = 0.008
_UNRECORDED = (" Recorded outages are counted; how many went unrecorded follows from them, and the meter says in which months "
               "they can have been.")
#: Relative standard uncertainty of ageing beyond the posterior's, with a log and without. Set on drawn farms.
_LEVEL_OF_AGE = (0.1, 0.14)
#: Part of the snow days without visible snow that lost as much as goes unseen, at most. Set on drawn farms.
_SNOW_UNSEEN = 0.35
#: What snow that the weather does not show on the modules takes of the days with snow about, at most. Set on drawn farms.
_SNOW_NOT_MODELLED = 0.03
#: Dirt that no rain and no trend shows, beyond what the posterior of `soiling.py` allows; and where strings washed alone before a
#: round measure it. Set on drawn farms. [fraction]
_UNSEEN_DIRT, _UNSEEN_BY_WITNESSES = 0.007, 0.004
#: Relative standard uncertainty of shade whose outline nobody saw. Set on drawn farms.
_OUTLINE = 0.3
#: What inverters whose DC side nobody reads may lose below their curve. Common practice, no source. [fraction]
_UNSEEN_EFFICIENCY = 0.015
#: Shade that may be there where nothing could see it: 19 in 20 of 38 drawn farms had less. [fraction]
_UNSEEN_SHADE = 0.017


def _shading(state: SiteState, no_log: str) -> Basis:
    if state.log is None:
        if any(c.cause == "shading" and c.inverter is not None for c in state.posterior.columns):
            return Basis("measured", 0.01, _OUTLINE)
        return Basis("prior", _UNSEEN_SHADE, _OUTLINE, no_log + " No round saw shade; what falls at other hours is not seen.")
    if len(state.model.inverter_ids) < 2 and not state.shaded.any():
        return Basis("prior", _UNSEEN_SHADE, why_not="A single inverter has no peer to show shade against.")
    if len(state.blocks.dates) < SHORTEST_HISTORY:
        return Basis(
            "prior",
            _UNSEEN_SHADE,
            why_not=f"Fewer than {SHORTEST_HISTORY} days of history: a day pattern cannot be told from a spell of weather.",
        )
    # The best-lit peer is the reference, and shade below what counts gets no picture: where some is seen, more may be about. What
    # is told off the log is right to a fifth, and a level of its own may stand for some of it in all months alike.
    return Basis("measured", 0.012 if state.shaded.any() else 0.01, 0.2, not_it=0.007)


def exposed(state: SiteState, expected: np.ndarray) -> dict[str, np.ndarray]:
    """
    Expected energy in which a cause may have gone unseen, (n_inverters, n_times) by cause; all of it for causes not named.

    Snow read off a log takes the days on which it shows: unseen, it is on the other days on which it may have lain, or without a
    log on any of them.
    """
    if state.log is None:
        return {"snow": np.where(snow_days(state.model)[None, :], expected, 0.0)}
    seen = np.zeros(expected.shape, dtype=bool)
    for effect in state.effects:
        if effect.cause == "snow" and effect.ac_factor is not None:
            seen |= effect.ac_factor < 1.0
    return {"snow": np.where(snow_days(state.model)[None, :] & ~seen, expected, 0.0)}


def _snow(state: SiteState, energy: bool) -> Basis:
    some = snow_days(state.model).mean()
    if some < 0.002:
        return Basis("measured", 0.0002)
    if state.log is not None:
        # Most such days are clear; the others may each have lost what is not told from weather.
        return Basis("measured", _SNOW_UNSEEN * UNSEEN_ON_A_DAY, 0.1)
    why_not = "Snow lay or fell, and no interval log shows what it took: modelled from the weather"
    if not energy:
        return Basis("prior", _SNOW_NOT_MODELLED, 0.3, why_not + ".")
    return Basis("measured", _SNOW_NOT_MODELLED, 0.1, why_not + ", and held against the meter's winter.")


def _curtailment(state: SiteState, no_log: str) -> Basis:
    if state.log is not None:
        return Basis("measured", 0.001, 0.1)
    held = bool(np.isfinite(state.limits.setting).any())
    return Basis("measured" if held else "prior", _SHORT_STOPS, 0.25, no_log + " Recorded instructions, and limits that clamp "
                 "readings show, are counted; others are not seen.")


def _efficiency(log: bool, shown: bool, clamps: bool) -> Basis:
    """`shown`: by DC power in the log, or by an input that does not track, or may not."""
    if shown:
        return Basis("measured", 0.004, 0.4)
    if clamps:
        return Basis("measured", 0.012, 0.3)
    if log:
        return Basis("prior", _UNSEEN_EFFICIENCY, why_not="No DC power in the log and no clamp reading: AC alone cannot tell the "
                     "inverter from the modules.")
    return Basis("prior", _UNSEEN_EFFICIENCY, why_not="No DC power and no clamp reading.")


def _reactive(state: SiteState, clamps: bool) -> Basis:
    if state.model.site.power_factor < 1.0:
        return Basis("prior", 0.0005, 0.3, "Modelled from the standing power factor; no kVAr log.")
    return Basis("measured", 0.0003) if clamps else Basis("prior", 0.005, 0.0, "No kVAr reading; no standing duty is recorded.")
