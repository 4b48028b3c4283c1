"""
A row of invented strings, and traces of them made with pvlib's single-diode model and not with our own
circuit.
"""

import datetime as dt

import numpy as np
import pandas as pd
import pvlib

from yieldwatch.field.tables import SiteData
from yieldwatch.portfolio.model import Array, Inverter, InverterType, ModuleType, Site, String

# The De Soto module of pvlib's own tests (tests/conftest.py, BSD-3).
DESOTO = {"alpha_sc": 0.004539, "a_ref": 2.6373, "I_L_ref": 5.114, "I_o_ref": 8.196e-10, "R_sh_ref": 381.68,
          "R_s": 1.065}
KIND = ModuleType(
    "desoto", "mono-Si", 219.96, 5.1, 59.4, 4.69, 46.9, 0.0888, -0.4074, -0.476, 96, 3, -3.0, 3.0
)
INVERTER = InverterType(
    "inv",
    20.0,
    20.0,
    26.0,
    2,
    300.0,
    900.0,
    ((0.05, 0.92), (0.1, 0.95), (0.2, 0.968), (0.3, 0.973), (0.5, 0.976), (0.75, 0.975), (1.0, 0.971)),
)
EVENTS = pd.DataFrame(
    {
        "event_id": pd.Series(dtype=str),
        "kind": pd.Series(dtype=str),
        "start": pd.Series(dtype="datetime64[ns, UTC]"),
        "end": pd.Series(dtype="datetime64[ns, UTC]"),
        "scope": pd.Series(dtype=object),
    }
)
MODULES = 12


def site_of(count: int, per_inverter: int = 10, row_length: int = 5, **more) -> Site:
    strings = tuple(
        String(
            f"S{k:02d}",
            f"I{k // per_inverter}",
            "A",
            KIND,
            MODULES,
            "1",
            10.0 * (k % row_length),
            7.0 * (k // row_length),
            str(k // row_length),
        )
        for k in range(count)
    )
    inverters = tuple(Inverter(i, INVERTER) for i in dict.fromkeys(s.inverter_id for s in strings))
    return Site("site", "Site", 51.0, -1.0, 90.0, "Europe/London", dt.date(2018, 5, 1),
                (Array("A", "fixed", 20.0, 180.0),), inverters, strings, **more)


def data_of(iv=None, clamp=None, curves=None, events=EVENTS) -> SiteData:
    iv = pd.DataFrame(columns=["time", "string_id"]) if iv is None else iv
    curves = pd.DataFrame(columns=["trace_id", "v", "i"]) if curves is None else curves
    clamp = pd.DataFrame() if clamp is None else clamp
    return SiteData(
        weather=None,
        weather_2=None,
        weather_step=None,
        iv=iv,
        iv_curves=curves,
        clamp=clamp,
        meter=None,
        power=None,
        power_step=None,
        string_current=None,
        events=events,
        prices=None,
        load=None,
        statements=None,
        costs=None,
        set_aside=pd.DataFrame(),
        notices=(),
    )


def key_points(poa, temp_cell, r_s=1.0, r_sh=1.0, i_o=1.0, light=1.0):
    """Key points of one module, its parameters scaled; the light scales photocurrent alone."""
    i_l, sat, rs, rsh, a = pvlib.pvsystem.calcparams_desoto(poa, temp_cell, **DESOTO)
    found = pvlib.pvsystem.singlediode(i_l * light, sat * i_o, rs * r_s, rsh * r_sh, a)
    return {k: float(found[k]) for k in ("i_sc", "v_oc", "i_mp", "v_mp")}


def one_round(site, day, rng=None, odd=None, poa=900.0, noise=0.004):
    """
    Traces of every string, three minutes apart; `odd` maps a string to a function of its sound key points.

    Key points are of the whole string: `odd` gets and returns a dict of i_sc, v_oc, i_mp, v_mp.
    """
    rng = rng or np.random.default_rng(0)
    rows = []
    for k, string in enumerate(site.strings):
        light = poa + 1.0 * k
        point = key_points(light, 45.0 + 3.0 * light / 1000.0)
        point = {n: x * (MODULES if n[0] == "v" else 1.0) * (1.0 + noise * rng.standard_normal())
                 for n, x in point.items()}
        if odd and string.string_id in odd:
            point = odd[string.string_id](point, light)
        rows.append(
            {
                "time": pd.Timestamp(day, tz="UTC") + pd.Timedelta(hours=11, minutes=3 * k),
                "string_id": string.string_id,
                "poa_global": light,
                "temp_module": 45.0,
                **point,
                "p_mp": point["i_mp"] * point["v_mp"],
                "poa_global_end": np.nan,
                "instrument": None,
                "trace_id": f"{day}/{string.string_id}",
                "note": None,
                "file": "iv/r.csv",
                "line": k + 2,
            }
        )
    return pd.DataFrame(rows)


def perturbed(**change):
    """An oddity: the string's modules with scaled parameters, keeping the noise of the sound string."""
    def apply(point, poa):
        temp = 45.0 + 3.0 * poa / 1000.0
        sound, found = key_points(poa, temp), key_points(poa, temp, **change)
        return {n: x * found[n] / sound[n] for n, x in point.items()}
    return apply


def scaled(**factor):
    """An oddity: key points multiplied."""
    return lambda point, poa: {n: x * factor.get(n, 1.0) for n, x in point.items()}
