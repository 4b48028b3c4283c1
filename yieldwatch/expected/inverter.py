"""
An inverter's efficiency at its load, from the datasheet's points.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import PchipInterpolator

from yieldwatch.portfolio.model import InverterType


@dataclass(frozen=True, eq=False)
class InverterCurve:
    """
    AC power against DC power, both as shares of the rated AC power.

    Beyond the rating the last point's loss share goes on: the limit itself is applied by the chain, so
    that what was cut off stays visible. What an inverter draws at night is not modelled: it goes through the
    meter as import, which no yield counts.
    """

    inverter_type: InverterType
    dc_share: np.ndarray
    ac_share: np.ndarray

    def ac_power(self, dc_power_kw: np.ndarray) -> np.ndarray:
        """AC power before any limit; NaN stays NaN, and below the start-up loss it is zero. [kW]"""
        rated = self.inverter_type.ac_rated_kw
        return np.interp(dc_power_kw / rated, self.dc_share, self.ac_share) * rated

    def efficiency(self, dc_power_kw: np.ndarray) -> np.ndarray:
        """AC over DC power at this DC power; NaN without DC power. [fraction]"""
        dc = np.asarray(dc_power_kw, float)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(dc > 0, self.ac_power(dc) / dc, np.nan)


@lru_cache(maxsize=256)
def inverter_curve(kind: InverterType) -> InverterCurve:
    """
    Build the curve of an inverter type from its efficiency points.

    Notes
    -----
    What is interpolated is the lost power over load, which is smooth and nearly a parabola, and not
    the efficiency, which bends sharply at low load. Below the lowest point the loss runs on
    to its own value at no load, from the two lowest points.
    """
    load = np.array([point[0] for point in kind.efficiency])
    lost = load / np.array([point[1] for point in kind.efficiency]) - load
    if len(load) > 1:
        at_rest = max(0.0, lost[0] - load[0] * (lost[1] - lost[0]) / (load[1] - load[0]))
    else:
        at_rest = 0.0
    shape = PchipInterpolator(np.r_[0.0, load], np.r_[at_rest, lost])
    # The datasheet's own loads are among the nodes, so that its efficiencies come back exactly.
    ac = np.unique(np.r_[0.0, np.geomspace(1e-3, 1.0, 120), np.linspace(1.02, 2.5, 75), load])
    loss = np.where(ac <= load[-1], shape(np.minimum(ac, load[-1])), lost[-1] / load[-1] * ac)
    dc = ac + loss
    return InverterCurve(kind, np.r_[0.0, dc], np.r_[0.0, ac])
