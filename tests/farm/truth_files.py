"""What really happened to every farm, which an analysis must not read."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from .causes import fault_active
from .settings import PortfolioSpec, dc_kw
from .simulate import Farm, Truth
from .spec import Soiling, StringFault
from .tables import write_csv


def _string_truth(farm: Farm) -> list[tuple]:
    rows = []
    soil = farm.spec.all_of(Soiling)
    drops = dict(soil[0].droppings) if soil else {}
    for i, u in enumerate(farm.units):
        now = [
            f
            for f in farm.spec.all_of(StringFault)
            if f.string == u.id and fault_active(f, farm.times[-1:])[0]
        ]
        dirt = 1 - float(farm.dc_factors["soiling"][i, -1]) if soil else 0.0
        age = 1 - float(farm.dc_factors["degradation"][i, -1]) if "degradation" in farm.dc_factors else 0.0
        finding, since = (now[0].kind, now[0].start.isoformat()) if now else ("ok", "")
        rows.append(
            (
                farm.spec.id,
                u.id,
                finding,
                since,
                round(age, 5),
                round(dirt, 5),
                0.0,
                drops.get(u.id, 0.0) / 100,
                round(u.maker_current, 5),
                round(u.maker_voltage, 5),
            )
        )
    return rows


def _about(farm: Farm, result: Truth) -> dict[str, object]:
    spec = farm.spec
    last = slice(-12, None)
    whole = float(result.expected[last].sum())
    return {
        "as_of": spec.end.isoformat(),
        "history": [spec.start.isoformat(), spec.end.isoformat()],
        "seed": spec.seed,
        "climate": spec.climate,
        "strings": len(farm.units),
        "inverters": len(farm.inverters),
        "dc_kwp": round(dc_kw(spec), 2),
        "ac_kw": sum(t.kw for t in farm.types),
        "causes": list(spec.causes),
        "has_power_log": spec.instruments.log_minutes is not None,
        "last_12_months_pct": {
            c: round(100 * float(v[last].sum()) / whole, 3) for c, v in result.losses.items()
        },
        "mechanisms": [repr(m) for m in spec.mechanisms],
    }


def write_truth(folder: Path, portfolio: PortfolioSpec, runs: Sequence[tuple[Farm, Truth]]) -> None:
    """What really happened to every farm."""
    folder.mkdir(parents=True, exist_ok=True)
    expected, losses, strings, spells = [], [], [], []
    for farm, result in runs:
        site = farm.spec.id
        expected += list(
            zip([site] * len(result.months), result.months, result.expected, result.exported, strict=True)
        )
        losses += [
            (site, month, cause, float(kwh[k].round(6)) + 0.0)
            for k, month in enumerate(result.months)
            for cause, kwh in result.losses.items()
        ]
        strings += _string_truth(farm)
        spells += [
            (site, s.kind, s.start.isoformat(), s.end.isoformat(), s.scope, s.recorded, s.note)
            for s in farm.spells
            if s.end is not None
        ]
    write_csv(
        folder / "expected.csv",
        pd.DataFrame(expected, columns=["site_id", "month", "expected_kwh", "exported_kwh"]).round(6),
    )
    write_csv(
        folder / "losses.csv", pd.DataFrame(losses, columns=["site_id", "month", "cause", "energy_kwh"])
    )
    names = [
        "site_id",
        "string_id",
        "finding",
        "from",
        "age_loss",
        "soiling_loss",
        "bottom_dirt",
        "droppings",
        "maker_current",
        "maker_voltage",
    ]
    write_csv(folder / "strings.csv", pd.DataFrame(strings, columns=names))
    names = ["site_id", "kind", "start", "end", "scope", "recorded", "note"]
    write_csv(folder / "spells.csv", pd.DataFrame(spells, columns=names))
    about = {
        "name": portfolio.name,
        "as_of": max(f.spec.end for f, _ in runs).isoformat(),
        "sites": {f.spec.id: _about(f, t) for f, t in runs},
        "works_budget": portfolio.works_budget,
        "discount_rate": portfolio.discount_rate,
    }
    (folder / "about.json").write_text(
        json.dumps(about, indent=1, ensure_ascii=False) + "\n", encoding="utf-8", newline="\n"
    )
