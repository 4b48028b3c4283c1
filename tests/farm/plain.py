"""The smallest farm worth simulating, to which tests add what they are about."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from .spec import ArraySpec, Block, FarmSpec, InverterSpec, ModuleSpec

MODULE = ModuleSpec("M")
FLAT = InverterSpec("I", 40.0, 40.0, 2, (98.0,) * 7)


def plain(*mechanisms, days: int = 60, **changes) -> FarmSpec:
    """Eight equal strings on two roomy inverters, no row in front, with the given mechanisms alone."""
    start = dt.date(2023, 5, 1)
    spec = FarmSpec(
        "plain",
        "Plain",
        11,
        51.0,
        0.0,
        "UTC",
        "maritime",
        start,
        start + dt.timedelta(days=days),
        dt.date(2020, 1, 1),
        (ArraySpec("A", rows=False),),
        (MODULE,),
        (FLAT,),
        tuple(Block(f"INV{k}", "I", "A", "M", 2, 2, 20) for k in (1, 2)),
        mechanisms,
        strings_per_row=4,
    )
    return replace(spec, **changes)
