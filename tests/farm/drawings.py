"""A cable plan and a single-line diagram as an owner might have them; the same bytes each time."""

from __future__ import annotations

from math import hypot
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from .simulate import Farm

_WIDE, _EDGE, _PER_M = 1500, 170, 8.0
_ARRAYS_APART_M, _TRENCH_M = 14.0, 24.0


def draw_cable_plan(farm: Farm, path: Path) -> None:
    """Arrays one below the other, each inverter at the west end of its first string's row, all cables in one trench."""
    rows: dict[tuple[str, str], list] = {}
    for unit in sorted(farm.units, key=lambda u: (u.array, -u.y_m, u.x_m)):
        rows.setdefault((unit.array, unit.row), []).append(unit)
    arrays = list(dict.fromkeys(array for array, _ in rows))
    high = int(2 * _EDGE + _PER_M * (7.0 * len(rows) + _ARRAYS_APART_M * (len(arrays) - 1)))
    image = Image.new("RGB", (_WIDE, high), "white")
    pen, small, large = ImageDraw.Draw(image), ImageFont.load_default(20), ImageFont.load_default(30)
    pen.text((30, 24), f"{farm.spec.name}: DC cables, rows drawn level, not to scale across them", "black", large)
    pen.text((30, 66), "Red: trench, 0.6 m deep, lid marked. Invented.", "black", small)
    trench = _EDGE + _PER_M * 2.0
    first_rows: dict[str, float] = {}
    y = float(_EDGE)
    for place, ((array, row), units) in enumerate(rows.items()):
        if place and array != list(rows)[place - 1][0]:
            y += _PER_M * _ARRAYS_APART_M
        left = trench + _PER_M * _TRENCH_M
        pen.text((30, y - 2), row, "black", small)
        for unit in units:
            at = left + _PER_M * (10.0 + hypot(unit.x_m - units[0].x_m, unit.y_m - units[0].y_m))
            half = _PER_M * 9.0
            pen.rectangle((at - half, y, at + half, y + 22), outline="black", fill="#e4e9f2")
            pen.text((at - half + 8, y - 1), unit.id, "black", small)
            first_rows.setdefault(unit.inverter, y)
        pen.line((trench, y + 26, at, y + 26), "#c00000", 3)
        y += _PER_M * 7.0
    pen.line((trench, _EDGE + 26, trench, y - 20), "#c00000", 5)
    stacked: dict[float, int] = {}
    for inverter, at in first_rows.items():
        n = stacked[at] = stacked.get(at, -1) + 1
        pen.rectangle((trench + 14, at - 6 + 30 * n, trench + 34, at + 14 + 30 * n), fill="black")
        pen.text((trench + 40, at - 8 + 30 * n), inverter, "black", small)
    pen.rectangle((trench - 30, y - 20, trench + 30, y + 20), outline="black", width=3)
    pen.text((trench + 44, y - 8), "Kiosk with AC main switch; gate and lane behind it", "black", small)
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save(path, "PNG")


def draw_single_line(farm: Farm, path: Path) -> None:
    """From the strings of each inverter through its DC switch and AC breaker to the busbar, the main switch, meter and grid."""
    spec = farm.spec
    image = Image.new("RGB", (_WIDE, 900), "white")
    pen, small, large = ImageDraw.Draw(image), ImageFont.load_default(20), ImageFont.load_default(30)
    pen.text((30, 24), f"{spec.name}: single-line diagram", "black", large)
    pen.text((30, 66), "As built. Switches are drawn open. Invented.", "black", small)
    step = (_WIDE - 200) // len(farm.inverters)
    for place, (inverter, kind) in enumerate(zip(farm.inverters, farm.types, strict=True)):
        at = 160 + step * place
        strings = sum(u.inverter == inverter for u in farm.units)
        fuse = "" if spec.crews.fuse_a is None else f", fuses {spec.crews.fuse_a:g} A"
        pen.text((at - 60, 130), f"{strings} strings{fuse}", "black", small)
        pen.line((at, 160, at, 200), "black", 3)
        _switch(pen, at, 200)
        pen.text((at + 24, 206), "DC switch", "black", small)
        pen.line((at, 240, at, 290), "black", 3)
        pen.rectangle((at - 50, 290, at + 50, 370), outline="black", width=3)
        pen.line((at - 50, 370, at + 50, 290), "black", 2)
        pen.text((at + 60, 300), inverter, "black", small)
        pen.text((at + 60, 328), f"{kind.kw:g} kW", "black", small)
        pen.line((at, 370, at, 430), "black", 3)
        _switch(pen, at, 430)
        pen.text((at + 24, 436), "AC breaker", "black", small)
        pen.line((at, 470, at, 530), "black", 3)
    pen.line((100, 530, _WIDE - 100, 530), "black", 7)
    pen.text((110, 540), "AC busbar in the kiosk", "black", small)
    middle = _WIDE // 2
    pen.line((middle, 530, middle, 610), "black", 3)
    _switch(pen, middle, 610)
    pen.text((middle + 24, 616), "AC main switch, key with the contact", "black", small)
    pen.line((middle, 650, middle, 690), "black", 3)
    pen.ellipse((middle - 30, 690, middle + 30, 750), outline="black", width=3)
    pen.text((middle + 44, 708), "Revenue meter", "black", small)
    pen.line((middle, 750, middle, 820), "black", 3)
    pen.text((middle + 14, 800), "To the grid operator's connection", "black", small)
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save(path, "PNG")


def _switch(pen: ImageDraw.ImageDraw, at: int, top: int) -> None:
    """An open switch, 40 pixels high."""
    pen.line((at, top + 40, at - 16, top + 4), "black", 3)
    pen.ellipse((at - 3, top - 3, at + 3, top + 3), fill="black")
