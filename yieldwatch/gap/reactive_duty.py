"""
A standing duty to supply kVAr that no paper holds, read off clamp readings.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from yieldwatch.portfolio.model import Site

#: Share of the kVA rating from which on a reading's power factor counts: below, filters and cables make kVAr of their own.
_LEAST_LOAD = 0.2
#: Power factor at or below which there is a duty: without one, inverters hold 0.995 and better. Common practice.
_DUTY = 0.985
#: Readings of one duty agree within this; fewest readings. Common practice, no source.
_AGREE, _FEWEST = 0.015, 2


def with_standing_duty(site: Site, clamps: pd.DataFrame) -> tuple[Site, str]:
    """
    The site with the power factor at which all its inverters stand, where none is on paper, and a notice.

    Parameters
    ----------
    clamps : DataFrame
        From `yieldwatch.gap.clamps`. Only kVAr and power factors that were read count: what follows from kW and kVA is too rough.

    Returns
    -------
    Site, str
        The site as it is, and no words, where the readings show no duty or do not agree.
    """
    if site.power_factor < 1.0 or clamps.empty:
        return site, ""
    whole = clamps[clamps["phase"].isna()]
    rating = whole["inverter_id"].map({i.inverter_id: i.inverter_type.ac_rated_kva for i in site.inverters})
    real, kvar = whole["ac_power_kw"].to_numpy(float), whole["ac_reactive_kvar"].to_numpy(float)
    read = [set(str(names).split()) for names in whole["derived"]]
    by_kvar = np.where([("ac_reactive_kvar" in names) for names in read], np.nan, np.cos(np.arctan2(np.abs(kvar), real)))
    by_factor = np.where([("power_factor" in names) for names in read], np.nan, np.abs(whole["power_factor"].to_numpy(float)))
    factor = np.where(np.isfinite(by_kvar), by_kvar, by_factor)
    counts = np.isfinite(factor) & (real > _LEAST_LOAD * rating.to_numpy(float)) & (whole["contradictions"] == "").to_numpy()
    factor, seen = factor[counts], whole["inverter_id"][counts].nunique()
    if len(factor) < _FEWEST or seen < min(2, len(site.inverters)) or np.ptp(factor) > _AGREE or np.median(factor) > _DUTY:
        return site, ""
    duty = round(float(np.median(factor)), 3)
    return replace(site, power_factor=duty), (
        f"{len(factor)} clamp readings of {seen} inverters agree on a power factor of {duty:.2f}; site.toml names none, so all "
        "are taken to stand at it all the time. If that is the duty, write it as power_factor under [grid]; if not, set it to 0.999.")
