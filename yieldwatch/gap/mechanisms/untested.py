"""
Faults of strings that nobody has tested.

A string that died before the record, and of which no trace, no logged current tells, lowers the output as
dirt that rain leaves does. Left out, all that is lacking on such a farm would be dirt or age, and be told too surely.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.mechanisms.base import Column, Rare

#: Farms whose untested strings have lost more than a trace, what those have lost, and a trace. Common practice, no source.
_UNTESTED = Rare("faults of strings that nobody tested", 0.4)
_SD, _TRACE = 0.025, 0.001
#: What they may come to lose in a year. Common practice, no source.
_GROWTH_SD = 0.015
#: Share of the farm's strings that has to be untested to matter.
_LEAST = 0.02


def untested_columns(blocks: Blocks, findings: pd.DataFrame, logged: bool) -> list[Column]:
    """
    What untested strings of all inverters have lost before the record, and since, over their share of each inverter.

    Parameters
    ----------
    findings : DataFrame
        From `yieldwatch.gap.findings`; strings without a row count as untested.
    logged : bool
        Whether inverters were logged: then a string that fails shows as a step.
    """
    tested = set(findings.loc[findings["finding"] != "not_tested", "string_id"]) if len(findings) else set()
    names = blocks.model.inverter_ids
    whole, lacking = np.zeros(len(names)), np.zeros(len(names))
    for string in blocks.model.site.strings:
        place = names.index(string.inverter_id)
        whole[place] += string.p_mp_w
        if string.string_id not in tested:
            lacking[place] += string.p_mp_w
    if lacking.sum() < _LEAST * whole.sum():
        return []
    shape = np.divide(lacking, whole, out=np.zeros(len(names)), where=whole > 0)
    values = np.repeat(shape[:, None], blocks.n, axis=1)
    columns = [Column("string_fault", "untested strings", values, None, 0.0, _SD, rare=_UNTESTED, trace=_TRACE)]
    if not logged:
        # One string after another: in the mean a ramp.
        ramp = values * blocks.year_fraction
        columns.append(Column("string_fault", "untested strings, failing since, per year", ramp, None, 0.0, _GROWTH_SD,
                              rare=_UNTESTED, trace=_TRACE))
    return columns
