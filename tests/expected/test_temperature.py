"""Cell temperature against published values, and when the farm's own sensor is believed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from yieldwatch.expected.temperature import WIND_ASSUMED, cell_temperature


def weather(**columns: object) -> pd.DataFrame:
    return pd.DataFrame({name: np.atleast_1d(np.asarray(v, float)) for name, v in columns.items()})


@pytest.mark.sourced
@pytest.mark.parametrize(
    ("poa", "air", "wind", "cell", "tolerance"),
    [
        # pvlib's tests, test_faiman_default and test_faiman_list; 20 + 900 / (25 + 6.84 x 5) = 35.2027.
        (900.0, 20.0, 5.0, 35.203, 0.001),
        (0.0, 0.0, 10.0, 0.0, 1e-9),
        (500.0, 10.0, 5.0, 18.446, 0.001),
        (0.0, 5.0, 0.0, 5.0, 1e-9),
        # By hand: 20 + 1000 / 31.84 and 20 + 800 / 31.84.
        (1000.0, 20.0, 1.0, 51.4070352, 1e-6),
        (800.0, 20.0, 1.0, 45.1256281, 1e-6),
    ],
)
def test_published_temperatures(poa, air, wind, cell, tolerance):
    found = cell_temperature(np.array([poa]), weather(temp_air=air, wind_speed=wind))
    assert found.temp_cell[0] == pytest.approx(cell, abs=tolerance)
    assert found.source == "air temperature and wind (Faiman)"


def test_without_wind_a_usual_one_is_taken_and_said():
    # 20 + 1000 / (25 + 6.84 x 1.5) = 48.3607
    found = cell_temperature(np.array([1000.0]), weather(temp_air=20.0))
    assert found.temp_cell[0] == pytest.approx(48.3607, abs=1e-4)
    assert f"wind assumed {WIND_ASSUMED} m/s" in found.source


def test_a_gap_in_the_wind_takes_the_usual_one_and_a_gap_in_air_or_light_stays_a_gap():
    found = cell_temperature(
        np.array([1000.0, 1000.0, np.nan, 1000.0]),
        weather(temp_air=[20.0, np.nan, 20.0, 20.0], wind_speed=[np.nan, 1.0, 1.0, 1.0]),
    )
    assert found.temp_cell[0] == pytest.approx(48.3607, abs=1e-4)
    assert np.isnan(found.temp_cell[1:3]).all()
    assert found.temp_cell[3] == pytest.approx(51.4070352, abs=1e-6)


def test_a_stuck_anemometer_does_not_freeze_or_boil_the_cell():
    found = cell_temperature(
        np.array([1000.0, 1000.0]), weather(temp_air=[20.0, 20.0], wind_speed=[900.0, -4.0])
    )
    # Held to 0 to 30 m/s: 20 + 1000 / (25 + 6.84 x 30) and 20 + 1000 / 25.
    assert found.temp_cell == pytest.approx([20.0 + 1000.0 / 230.2, 60.0])


def with_sensor(rise: float, n: int = 80) -> tuple[np.ndarray, pd.DataFrame]:
    poa = np.linspace(550.0, 1000.0, n)
    back = 15.0 + rise * poa / 1000.0
    back[4] = np.nan
    return poa, weather(temp_air=np.full(n, 15.0), wind_speed=np.full(n, 2.0), temp_module=back)


@pytest.mark.sourced
def test_the_farms_own_sensor_replaces_the_model_and_its_gap_is_modelled():
    # Cell 3 °C above the back at 1000 W/m²: King et al., SAND2004-3535 (2004), open rack, eq. 12.
    poa, table = with_sensor(rise=28.0)
    found = cell_temperature(poa, table)
    assert found.temp_cell[-1] == pytest.approx(15.0 + 28.0 + 3.0)
    assert found.temp_cell[4] == pytest.approx(15.0 + poa[4] / (25.0 + 6.84 * 2.0))
    assert found.source.startswith("the module temperature sensor")


@pytest.mark.parametrize("rise", [0.5, 70.0, -5.0])
def test_a_sensor_that_hangs_in_the_air_or_is_broken_is_not_used_and_that_is_said(rise):
    poa, table = with_sensor(rise)
    found = cell_temperature(poa, table)
    assert found.temp_cell[-1] == pytest.approx(15.0 + 1000.0 / (25.0 + 6.84 * 2.0))
    assert "does not follow the light" in found.source


def test_a_sensor_with_too_few_bright_readings_is_not_used():
    poa, table = with_sensor(28.0, n=40)
    assert cell_temperature(poa, table).temp_cell[-1] == pytest.approx(15.0 + 1000.0 / 38.68)
