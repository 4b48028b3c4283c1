"""One fit: what each inverter counts in the mean that all share."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import site_of
from yieldwatch.gap.fit import _trust


def farm(*light: str, in_plane: tuple[float, ...] = (1.0, 0.5, 0.0)) -> SimpleNamespace:
    """Three inverters, of which the first alone lies wholly in the sensor's plane."""
    site = site_of(30)
    share = {site.arrays[0].id: np.array(in_plane)}
    weather = SimpleNamespace(table=pd.DataFrame(columns=list(light)))
    return SimpleNamespace(model=SimpleNamespace(site=site, plane_share=share, weather=weather))


@pytest.mark.parametrize(("light", "expected"), [
    (("poa_global",), [1.0, 0.5, 0.02]),
    (("poa_global", "ghi"), [1.0, 1.0, 1.0]),
    (("ghi", "dni", "dhi"), [1.0, 1.0, 1.0]),
])
def test_where_an_in_plane_sensor_is_all_there_is_its_own_plane_carries_the_mean(light, expected):
    assert _trust(farm(*light), np.zeros(3, dtype=bool)) == pytest.approx(expected)


def test_a_shaded_inverter_counts_little_unless_all_are():
    assert _trust(farm("ghi"), np.array([True, False, False])) == pytest.approx([0.02, 1.0, 1.0])
    assert _trust(farm("ghi"), np.ones(3, dtype=bool)) == pytest.approx([1.0, 1.0, 1.0])
