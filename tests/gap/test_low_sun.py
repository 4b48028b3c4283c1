"""Shade that inverters share under a low sun, by days whose every hour is written out."""

from types import SimpleNamespace

import numpy as np
import pytest

from yieldwatch.gap.mechanisms.low_sun import shaded_alike

DAYS, HOURS = 60, 10
HOUR = np.tile(np.arange(HOURS), DAYS)
DAY = np.repeat(np.arange(DAYS), HOURS)
#: Every third day is overcast; in the last two hours the sun stands low in the west.
DULL = DAY % 3 == 0
WEST = HOUR >= HOURS - 2


def blocks(inverters):
    return SimpleNamespace(
        day=DAY, azimuth=90.0 + 20.0 * HOUR, elevation=np.array([12, 25, 38, 50, 58, 58, 50, 38, 25, 12.0])[HOUR],
        row_shade=np.zeros((inverters, len(DAY))), beam_share=np.where(DULL, 0.1, 0.7) * np.ones((inverters, 1)),
        year_fraction=DAY / 365.25)


def shaded(*lacks, own_light=None):
    """Of inverters that lack so much, as -ln, in each hour."""
    n = len(lacks)
    return shaded_alike(blocks(n), -np.array(lacks), np.ones((n, len(DAY))),
                        np.ones(n, dtype=bool) if own_light is None else np.array(own_light)).tolist()


def hedge(size):
    return np.where(WEST & ~DULL, size, 0.0)


def test_what_two_inverters_lack_of_the_low_sun_is_shade_and_marks_those_that_lack_less():
    assert shaded(hedge(0.3), hedge(0.2), hedge(0.08), hedge(0.02)) == [True, True, True, False]


def test_one_inverter_alone_is_left_to_its_peers():
    assert shaded(hedge(0.3), hedge(0.1), hedge(0.0)) == [False, False, False]


def test_healthy_farms_lack_less_than_counts():
    # The most that an inverter of 48 healthy drawn farms lacked in a patch.
    assert not any(shaded(hedge(0.08), hedge(0.08)))


@pytest.mark.parametrize("lacks", [
    np.where(WEST, 0.3, 0.0),                 # under a dull sky too: what takes weak light
    np.where(DAY >= 30, 0.3, 0.0),            # from some day on, at all hours
    np.where(DAY % 7 == 0, hedge(0.3), 0.0),  # on few days
])
def test_what_is_no_shade_s_is_not_taken_for_it(lacks):
    assert not any(shaded(lacks, lacks, lacks))


def test_light_turned_over_from_another_plane_says_nothing_of_a_low_sun():
    assert not any(shaded(hedge(0.3), hedge(0.3), hedge(0.0), own_light=[True, False, False]))
