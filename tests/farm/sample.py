"""The farms of `sample_portfolio/`: two years of four invented farms, July 2023 to June 2025."""

from __future__ import annotations

import datetime as dt
from datetime import date

from .settings import PortfolioSpec
from .spec import (
    ArraySpec,
    Block,
    Curtailment,
    Degradation,
    FarmSpec,
    ForCrews,
    Grass,
    GridOutages,
    Hedge,
    Instruments,
    InverterEfficiency,
    InverterSpec,
    Makers,
    ModuleSpec,
    Outages,
    Paper,
    Pole,
    Snow,
    Soiling,
    StringFault,
    WetMorningTrips,
)

START, END = date(2023, 7, 1), date(2025, 7, 1)

M_440 = ModuleSpec("SG-440H", i_sc_a=11.45, clamp_torque_nm=14.0)
M_395 = ModuleSpec(
    "SG-395",
    i_sc_a=10.35,
    v_oc_cell_v=0.678,
    r_s_ohm=0.26,
    r_sh_ohm=380.0,
    half_cut=False,
    length_m=1.99,
    width_m=1.0,
)
M_545 = ModuleSpec(
    "NV-545H",
    i_sc_a=13.85,
    v_oc_cell_v=0.691,
    r_s_ohm=0.19,
    r_sh_ohm=500.0,
    length_m=2.28,
    width_m=1.13,
    tolerance_plus_pct=1.0,
)
M_310 = ModuleSpec(
    "NV-310",
    cells=60,
    i_sc_a=10.0,
    v_oc_cell_v=0.668,
    r_s_ohm=0.25,
    r_sh_ohm=350.0,
    half_cut=False,
    length_m=1.65,
    width_m=0.99,
    first_year_pct=97.0,
    then_pct=0.7,
)

I_60 = InverterSpec("CORVID-60", 60.0, 60.0, 4, torque_nm=(3.0, 20.0))
I_100 = InverterSpec("CORVID-100", 100.0, 100.0, 6, (92.8, 96.0, 97.7, 98.2, 98.5, 98.4, 98.1), 8.0)
I_80 = InverterSpec("MISTLE-80", 80.0, 80.0, 4, (92.0, 95.7, 97.4, 97.9, 98.2, 98.1, 97.8), 6.0)
I_20 = InverterSpec("MISTLE-20", 20.0, 20.0, 2, (90.5, 94.6, 96.6, 97.2, 97.6, 97.5, 97.2), 3.0)


def drumlin() -> FarmSpec:
    """A wet, cool farm behind a hedge that grows, with grass in front: two planes, two module types."""
    fixed = (("A", M_440.name), ("A", M_440.name), ("A", M_440.name), ("B", M_395.name))
    return FarmSpec(
        "drumlin",
        "Drumlin Hollow",
        51107,
        53.2,
        -7.6,
        "Europe/Dublin",
        "maritime",
        START,
        END,
        date(2018, 5, 17),
        (
            ArraySpec("A", tilt=22, azimuth=180, pitch_m=7.2, width_m=4.2, lower_edge_m=0.7),
            ArraySpec("B", tilt=15, azimuth=225, pitch_m=6.5, width_m=3.98, lower_edge_m=0.9),
        ),
        (M_440, M_395),
        (I_60,),
        tuple(Block(f"INV{k}", I_60.name, a, m, 4, 2, 20) for k, (a, m) in enumerate(fixed, 1)),
        (
            Degradation(1.3, 0.45),
            Makers(0.4, 0.5),
            Soiling(0.03, rain_mm=3.0, persistent_pct_year=0.35),
            Hedge(180, 150, 7.0, 2.6, 0.55, ((date(2023, 11, 14), 2.5, 640.0),)),
            Grass(("A1", "B1"), 0.4, 1.3, ((date(2023, 8, 9), 380.0), (date(2024, 7, 18), 395.0))),
            Pole(28.0, -9.0),
            Outages(1.0, 7.0),
            GridOutages(1.0, 4.0),
            WetMorningTrips("INV4", 0.45, date(2024, 3, 1)),
            StringFault("INV2.3.1", "open", date(2024, 9, 23)),
            StringFault("INV1.4.2", "series_resistance", date(2023, 2, 1), 3.4),
        ),
        altitude_m=88,
        u0=27.1,
        u1=6.0,
        area_hectare=1.1,
        hedge_metres=95,
        crews=ForCrews(
            {
                "address": "Drumlin Hollow, by the second gate past the mill",
                "access": "Gate code from the contact; two days' notice to the farmer; no vehicles on the grass after rain",
                "contact": "Site contact (invented), 000 0000",
                "directions": "From the main road at the mill 2.1 km up the lane (bridge, 3.2 m clear); second gate on the left",
                "gate_latitude": 53.1994,
                "gate_longitude": -7.6009,
                "isolation": "AC main switch in the kiosk at the gate, key with the contact; DC switch on each inverter",
                "cables": "Buried 0.6 m deep along the west ends of the rows to the kiosk; overhead line along the lane",
                "emergency": "112; meet at the gate. Nearest hospital: ask the contact",
                "public_holidays": "IE",
                "drawings": [
                    {"file": "drawings/cable-plan.png", "shows": "cable_plan", "as_of": date(2018, 5, 10), "note": "as built"},
                    {"file": "drawings/single-line.png", "shows": "single_line", "as_of": date(2018, 5, 10), "note": "as built"},
                ],
            },
            {
                "INV1": ("post at the west end of row A1", None, None),
                "INV2": ("post at the west end of row A2", None, None),
                "INV3": ("post at the west end of row A3", None, None),
                "INV4": ("post at the west end of row B1", None, None),
            },
            "tray of row {row} to its west end; trench to {inverter}",
            "drawings/cable-plan.png",
            "drawings/single-line.png",
            20.0,
        ),
        instruments=Instruments(
            second_weather=True,
            light_bias=0.012,
            curves=True,
            iv_rounds=(date(2023, 9, 12), date(2024, 6, 4), date(2025, 5, 20)),
            clamp_rounds=(date(2024, 6, 4), date(2025, 5, 20)),
        ),
        paper=Paper(
            ({"kind": "fixed", "price_per_kwh": 0.091, "index_pct_per_year": 2.0},),
            (
                {
                    "kind": "availability",
                    "value_pct": 98.5,
                    "damages_per_pct": 260,
                    "cap": 1500,
                    "excludes": ["grid_outage", "curtailment"],
                    "from": date(2022, 1, 1),
                },
            ),
            statements=True,
            plan_price=(0.094, 1.5),
        ),
    )


def terrajal() -> FarmSpec:
    """A dry, dusty farm that is cleaned by hand, once in part."""
    return FarmSpec(
        "terrajal",
        "El Terrajal",
        51203,
        38.1,
        -1.9,
        "Europe/Madrid",
        "dry_summer",
        START,
        END,
        date(2019, 10, 3),
        (ArraySpec("A", tilt=28, azimuth=184, pitch_m=6.4, width_m=3.9, albedo=0.24, lower_edge_m=0.8),),
        (M_395,),
        (I_80,),
        tuple(Block(f"INV{k}", I_80.name, "A", M_395.name, 4, 3, 20) for k in (1, 2, 3)),
        (
            Degradation(1.5, 0.55),
            Makers(-0.2, 0.6),
            Soiling(
                0.11,
                2.6,
                5.0,
                0.5,
                3.5,
                row_factors=(("6", 1.7),),
                droppings=(("INV2.1.3", 6.0),),
                cleanings=(
                    (date(2023, 8, 22), "site", 610.0),
                    (date(2024, 7, 9), "site", 640.0),
                    (date(2025, 5, 27), "INV1", 250.0),
                ),
            ),
            Outages(1.6, 5.0, 0.5),
            StringFault("INV3.2.2", "bypass_short", date(2022, 6, 1), 6.0),
            StringFault("INV1.1.2", "open", date(2023, 11, 2), repaired=date(2024, 2, 20)),
            InverterEfficiency("INV2", "heat", date(2024, 4, 15), 3.2),
        ),
        altitude_m=310,
        u0=24.6,
        u1=6.6,
        sky_model="haydavies",
        area_hectare=1.0,
        crews=ForCrews(
            {
                "address": "El Terrajal, track from the pumping station",
                "access": "Padlock, key at the pumping station; dust the track as little as can be in summer",
                "contact": "Keeper of the station (invented), 000 0001",
                "directions": "Motorway exit to the pumping station, then 3.4 km of gravel track to the east; not after rain",
                "gate_latitude": 38.0998,
                "gate_longitude": -1.9007,
                "isolation": "AC main switch in the transformer house north of row 6; DC switch under each inverter",
                "public_holidays": "ES-MC",
            },
            {
                "INV1": ("post 9 m west of row 1", -9.0, 0.0),
                "INV2": ("post 9 m west of row 3", -9.0, 12.8),
                "INV3": ("post 9 m west of row 5", -9.0, 25.6),
            },
        ),
        instruments=Instruments(
            light_bias=0.012,
            iv_rounds=(date(2024, 6, 11), date(2025, 6, 17)),
            clamp_rounds=(date(2024, 7, 16), date(2025, 6, 17)),
        ),
        paper=Paper(
            (
                {
                    "kind": "time_of_use",
                    "price_per_kwh": 0.061,
                    "bands": [
                        {"days": "mon-fri", "start": "18:00", "end": "22:00", "price_per_kwh": 0.102},
                        {"days": "mon-sun", "start": "11:00", "end": "15:00", "price_per_kwh": 0.046},
                    ],
                },
            )
        ),
    )


def varzea() -> FarmSpec:
    """A tracker with more modules than inverter, an export limit, instructions and a market price."""
    return FarmSpec(
        "varzea",
        "Várzea Larga",
        51307,
        39.3,
        -8.2,
        "Europe/Lisbon",
        "dry_summer",
        START,
        END,
        date(2021, 3, 29),
        (ArraySpec("T", "single_axis", pitch_m=6.3, width_m=2.28, albedo=0.21, lower_edge_m=1.2),),
        (M_545,),
        (I_100,),
        tuple(Block(f"INV{k}", I_100.name, "T", M_545.name, 6, 2, 20) for k in (1, 2, 3)),
        (
            Degradation(1.6, 0.4),
            Makers(0.3, 0.4),
            Soiling(0.035, 2.2, 4.0, 0.25, 1.5, cleanings=((date(2024, 6, 25), "site", 480.0),)),
            Curtailment(16, 0.75, (("INV2", 0.7, date(2025, 2, 11), None),)),
            Outages(1.0, 6.0),
            GridOutages(1.5, 3.0),
            StringFault("INV3.4.1", "open", date(2024, 10, 30)),
            StringFault("INV1.2.2", "shunt", date(2023, 5, 1), 26.0),
        ),
        altitude_m=42,
        u0=28.4,
        u1=5.7,
        area_hectare=1.6,
        crews=ForCrews({"address": "Várzea Larga, beside the rice silo", "public_holidays": "PT"}),
        instruments=Instruments(
            log_minutes=30,
            light_bias=0.01,
            iv_rounds=(date(2024, 5, 14), date(2025, 5, 27)),
            clamp_rounds=(date(2025, 5, 27),),
        ),
        paper=Paper(
            ({"kind": "market", "floor_price": 0.0, "curtailment_paid_pct": 60},),
            export_limit_kw=285.0,
            market=True,
        ),
    )


def kelter() -> FarmSpec:
    """A small roof that feeds a workshop: no log, a monthly meter, string rounds, modelled weather."""
    rounds = (date(2023, 9, 20), date(2024, 4, 16), date(2024, 9, 18), date(2025, 4, 15))
    return FarmSpec(
        "kelter",
        "Altes Kelterhaus",
        51401,
        49.1,
        10.4,
        "Europe/Berlin",
        "continental",
        START,
        END,
        date(2015, 8, 26),
        (ArraySpec("R", tilt=17, azimuth=163, width_m=6.6, lower_edge_m=4.5, rows=False),),
        (M_310,),
        (I_20,),
        tuple(Block(f"INV{k}", I_20.name, "R", M_310.name, 2, 2, 18) for k in (1, 2, 3, 4)),
        (
            Degradation(2.0, 0.6, 0.1),
            Makers(0.1, 0.6),
            Soiling(0.035, rain_mm=4.5, persistent_pct_year=1.3, start_pct=2.5, start_persistent_pct=2.4),
            Snow(),
            Outages(0.5, 10.0, 1.0, (("INV2", dt.datetime(2024, 10, 8, 7), 6.0),)),
            GridOutages(0.5, 3.0, 1.0),
            StringFault("INV3.1.2", "open", date(2024, 6, 24)),
            InverterEfficiency("INV4", "ramp", date(2022, 6, 1), 1.6),
        ),
        altitude_m=395,
        u0=20.4,
        u1=5.1,
        crews=ForCrews({"public_holidays": "DE-BY"}),
        horizon=((0, 4), (90, 7), (135, 3), (180, 2), (270, 9), (315, 6)),
        losses_pct=(1.0, 0.5, 0.0, 1.0),
        instruments=Instruments(
            "modelled",
            log_minutes=None,
            meter="monthly",
            modelled_bias=0.02,
            iv_rounds=rounds,
            clamp_rounds=rounds,
        ),
        paper=Paper(
            ({"kind": "fixed", "price_per_kwh": 0.079, "import_price_per_kwh": 0.235},),
            meter_at="generation",
            load_kw=22.0,
            capital_per_kw=1100.0,
        ),
    )


def sample() -> PortfolioSpec:
    return PortfolioSpec(
        "Four sample farms", (drumlin(), terrajal(), varzea(), kelter()), works_budget=8000.0
    )
