"""A farm's strings as they stand, and what their maker made of each."""

from __future__ import annotations

from dataclasses import dataclass

from .spec import Block, Degradation, FarmSpec, Makers


@dataclass(frozen=True)
class StringUnit:
    """One string as built; the maker's factors and ageing are its own."""

    id: str
    inverter: str
    mppt: str
    array: str
    module: str
    series: int
    x_m: float
    y_m: float
    row: str
    maker_current: float
    maker_voltage: float
    first_year: float
    per_year: float


def _places(spec: FarmSpec) -> list[tuple[Block, int, int]]:
    return [
        (b, b.first_input + i, k + 1)
        for b in spec.blocks
        for i in range(b.inputs)
        for k in range(b.per_input)
    ]


def strings_of(spec: FarmSpec) -> tuple[StringUnit, ...]:
    """Lay the strings out in rows, row 1 nearest the equator, and draw what the maker made of each."""
    rng = spec.rng("makers")
    makers = next(iter(spec.all_of(Makers)), Makers(0.0, 0.0))
    ageing = next(iter(spec.all_of(Degradation)), Degradation(0.0, 0.0, 0.0))
    north = 1.0 if spec.latitude > 0 else -1.0
    counts: dict[str, int] = {}
    units = []
    for block, mppt, k in _places(spec):
        n = counts[block.array] = counts.get(block.array, -1) + 1
        array, module = spec.array(block.array), spec.module(block.module)
        row, place = divmod(n, spec.strings_per_row)
        length = block.series * (module.width_m if array.orientation == "portrait" else module.length_m)
        if array.mount == "single_axis":
            x, y = row * array.pitch_m, north * (place + 0.5) * length
        else:
            x, y = (place + 0.5) * length, north * row * array.pitch_m
        current, voltage, first, yearly = rng.normal(size=4)
        units.append(
            StringUnit(
                f"{block.inverter}.{mppt}.{k}",
                block.inverter,
                str(mppt),
                block.array,
                block.module,
                block.series,
                round(x, 1),
                round(y, 1),
                f"{block.array}{row + 1}" if len(spec.arrays) > 1 else str(row + 1),
                1 + (0.7 * makers.bias_pct + 0.9 * makers.spread_pct * current) / 100,
                1 + (0.3 * makers.bias_pct + 0.4 * makers.spread_pct * voltage) / 100,
                max(0.0, ageing.first_year_pct * (1 + 0.1 * first)) / 100,
                max(0.0, ageing.pct_year + ageing.spread_pct_year * yearly) / 100,
            )
        )
    return tuple(units)
