"""A farm's strings as they stand, and what their maker made of each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .spec import Block, Degradation, FarmSpec, Makers

#: An array, and whether it is its first row.
Place = tuple[str, bool]


@dataclass(frozen=True)
class StringUnit:
    """One string as built, `front` where no row stands before its own; the maker's factors and ageing are its own."""

    id: str
    inverter: str
    mppt: str
    array: str
    module: str
    series: int
    x_m: float
    y_m: float
    row: str
    front: bool
    maker_current: float
    maker_voltage: float
    first_year: float
    per_year: float

    @property
    def place(self) -> Place:
        """Strings of one place see the same light."""
        return self.array, self.front


def _places(spec: FarmSpec) -> list[tuple[Block, int, int]]:
    return [
        (b, b.first_input + i, k + 1)
        for b in spec.blocks
        for i in range(b.inputs)
        for k in range(b.per_input)
    ]


def strings_of(spec: FarmSpec) -> tuple[StringUnit, ...]:
    """
    Lay the strings out in rows square to where they face, row 1 foremost, and draw what the maker made of each.

    Of a fixed array the string nearest the equator stands at y = 0, and the westmost half a string east of x = 0.
    """
    rng = spec.rng("makers")
    makers = next(iter(spec.all_of(Makers)), Makers(0.0, 0.0))
    ageing = next(iter(spec.all_of(Degradation)), Degradation(0.0, 0.0, 0.0))
    north = 1.0 if spec.latitude > 0 else -1.0
    counts: dict[str, int] = {}
    half: dict[str, float] = {}
    units = []
    for block, mppt, k in _places(spec):
        n = counts[block.array] = counts.get(block.array, -1) + 1
        array, module = spec.array(block.array), spec.module(block.module)
        row, place = divmod(n, spec.strings_per_row)
        length = block.series * (module.width_m if array.orientation == "portrait" else module.length_m)
        half.setdefault(array.id, round(length / 2, 1))
        if array.mount == "single_axis":
            x, y = row * array.pitch_m, north * (place + 0.5) * length
        else:
            east, ahead = np.sin(np.radians(array.azimuth)), np.cos(np.radians(array.azimuth))
            along, back = (place + 0.5) * length, row * array.pitch_m
            x, y = -north * ahead * along - east * back, north * east * along - ahead * back
        current, voltage, first, yearly = rng.normal(size=4)
        units.append(
            StringUnit(
                f"{block.inverter}.{mppt}.{k}",
                block.inverter,
                str(mppt),
                block.array,
                block.module,
                block.series,
                round(float(x), 1) + 0.0,
                round(float(y), 1) + 0.0,
                f"{block.array}{row + 1}" if len(spec.arrays) > 1 else str(row + 1),
                array.mount == "fixed" and row == 0,
                1 + (0.7 * makers.bias_pct + 0.9 * makers.spread_pct * current) / 100,
                1 + (0.3 * makers.bias_pct + 0.4 * makers.spread_pct * voltage) / 100,
                max(0.0, ageing.first_year_pct * (1 + 0.1 * first)) / 100,
                max(0.0, ageing.pct_year + ageing.spread_pct_year * yearly) / 100,
            )
        )
    by_array = {u.array: [v for v in units if v.array == u.array] for u in units}
    corner = {a: (min(u.x_m for u in own) - half[a], min(own, key=lambda u: north * u.y_m).y_m) for a, own in by_array.items()}
    fixed = {a.id for a in spec.arrays if a.mount == "fixed"}
    return tuple(_moved(u, *corner[u.array]) if u.array in fixed else u for u in units)


def _moved(unit: StringUnit, west: float, low: float) -> StringUnit:
    return replace(unit, x_m=round(unit.x_m - west, 1) + 0.0, y_m=round(unit.y_m - low, 1) + 0.0)
