"""
A farm's own yearly rate, year on year: each day or month against the same one a year before, so that no season enters.

Shade and dirt that grow are in the rate as well. It is therefore a row of evidence on all unknowns that change from year to
year, each by as much as its own column does, and they settle it between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.infer import Rows
from yieldwatch.gap.mechanisms.base import Column

#: Full years of record from which a farm has a rate of its own. [years] Jordan et al. (2018) ask for three at the least.
FULL_YEARS = 3.0
#: Days by which two whole years may differ: calendar months move.
_NEAR_DAYS = 3
#: Length of the stretches of the year that share an error, and how often they are drawn. [d]
_STRETCH_DAYS, _DRAWS = 30, 400
#: Fewest pairs that make a rate. Common practice, no source.
_FEWEST = 20
#: What a straight line through days or months may be off by, beside year on year. [1/year] A third of a part of a season.
#: Common practice, no source.
_LINE_SD = 0.005
_LINE = "slow error of the days"


@dataclass(frozen=True)
class YearOnYear:
    """Median change of the logarithm from one year to the next, its standard uncertainty [1/year], and the pairs behind it."""

    per_year: float
    doubt: float
    pairs: int

    @property
    def rate(self) -> float:
        """The change as a share of the year before. [1/year]"""
        return float(np.expm1(self.per_year))


def year_pairs(days: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Places of values a year apart.

    Parameters
    ----------
    days : ndarray of int, shape (n,)
        Day number of each value, rising. A lag of 365 days, and no calendar year: 29 February has no day a year before.

    Returns
    -------
    earlier, later : ndarray of int
    """
    place = np.searchsorted(days, days + 365)
    near = np.stack([np.clip(place - 1, 0, len(days) - 1), np.clip(place, 0, len(days) - 1)])
    off = np.abs(days[near] - (days + 365))
    later, off = near[np.argmin(off, axis=0), np.arange(len(days))], off.min(axis=0)
    # Beside a gap several have the same nearest: it goes to the one that is nearest to it.
    best = np.lexsort((off, later))
    best = best[np.r_[True, np.diff(later[best]) != 0]]
    earlier = np.sort(best[off[best] <= _NEAR_DAYS])
    return earlier, later[earlier]


def year_on_year(days: np.ndarray, values: np.ndarray, rng: np.random.Generator) -> YearOnYear | None:
    """
    The yearly change of a series; None where too few values have one a year before.

    Parameters
    ----------
    days : ndarray of int, shape (n,)
        Day number of each value, rising.
    values : ndarray, shape (n,)
        Logarithms, all finite.
    rng : Generator
        Of the bootstrap: whole stretches of the year are drawn, with all their years, because neighbouring days share their
        error and a day of the middle years stands in two pairs.

    References
    ----------
    Hasselbrink et al., 39th IEEE PVSC (2013); Jordan et al., IEEE J. Photovolt. 8 (2018) 525: the median (from memory).
    """
    earlier, later = year_pairs(days)
    if len(earlier) < _FEWEST:
        return None
    change = values[later] - values[earlier]
    stretch = (days[earlier] % 365) // _STRETCH_DAYS
    parts = [change[stretch == k] for k in np.unique(stretch)]
    drawn = rng.integers(0, len(parts), (_DRAWS, len(parts)))
    medians = [float(np.median(np.concatenate([parts[k] for k in row]))) for row in drawn]
    return YearOnYear(float(np.median(change)), float(np.std(medians)), len(change))


def full_years(blocks: Blocks) -> bool:
    """Whether the record is long enough for a rate of the farm's own."""
    return len(blocks.dates) >= FULL_YEARS * 365


def line_columns(blocks: Blocks) -> list[Column]:
    """The unknown that keeps a straight line through the days from being evidence of a rate beside year on year."""
    if not full_years(blocks):
        return []
    years = blocks.year_fraction - blocks.year_fraction.mean()
    return [Column("level", _LINE, years, None, 0.0, _LINE_SD, -np.inf, np.inf)]


def own_rate_rows(columns: list[Column], family: Rows, estimate: np.ndarray, rng: np.random.Generator
                  ) -> tuple[list[Rows], YearOnYear | None]:
    """
    Year on year as a row on every unknown that changes from year to year.

    Parameters
    ----------
    family : Rows
        Days or meter periods, with `day`.
    estimate : ndarray, shape (n_columns,)
        Unknowns of a fit without the row. The median is taken of what they leave, where odd spells stand out.

    Returns
    -------
    list of Rows, YearOnYear or None
        The row, and the change of what was measured over what was expected. Nothing where there are not enough pairs.
    """
    assert family.day is not None
    order = np.argsort(family.day, kind="stable")
    found = year_on_year(family.day[order], (family.values + family.design @ estimate)[order], rng)
    if found is None:
        return [], None
    earlier, later = (order[p] for p in year_pairs(family.day[order]))
    mean = sparse.csr_matrix(np.full((1, len(earlier)), 1.0 / len(earlier)))
    change = np.asarray((mean @ (family.design[later] - family.design[earlier])).todense()).ravel()
    value = found.per_year - float(change @ estimate)
    change[[j for j, c in enumerate(columns) if c.name == _LINE]] = 0.0
    row = Rows("year on year", sparse.csr_matrix(change[None, :]), np.array([value]), np.ones(1), found.doubt, 1.0)
    return [row], replace(found, per_year=value)
