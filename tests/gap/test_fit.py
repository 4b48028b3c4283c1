"""One fit: what each inverter counts in the mean that all share."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.gap.strings import site_of
from yieldwatch.gap.fit import _alike, _trust


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


def test_an_inverter_that_parts_from_its_peers_for_weeks_counts_little_in_the_mean_of_those_days():
    # Three inverters in weather that moves all alike; the second lacks 6 % beyond all known causes from day 60 to day 120.
    days, hours = 200, 6
    rng = np.random.default_rng(2)
    blocks = SimpleNamespace(
        dates=pd.date_range("2023-01-01", periods=days), day=np.repeat(np.arange(days), hours),
        elevation=np.full(hours * days, 40.0))
    rest = np.tile(np.repeat(rng.normal(0.0, 0.03, days), hours), (3, 1)) + rng.normal(0.0, 0.002, (3, hours * days))
    rest[1, (blocks.day >= 60) & (blocks.day < 120)] -= 0.06

    counts = _alike(blocks, rest, np.ones(rest.shape))

    assert counts.shape == (3, days)
    assert (counts[1, 68:112] < 0.05).all()
    assert (counts[[0, 2]] > 0.95).all()
    assert (counts[1, :52] > 0.95).all()
