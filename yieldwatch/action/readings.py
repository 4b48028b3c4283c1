"""
Readings that could be made next, and what each would show of the losses that jobs mend.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from yieldwatch.action.candidate import Candidate
from yieldwatch.action.costing import job_id
from yieldwatch.action.outlook import N_DRAWS
from yieldwatch.gap.attribute import SiteState
from yieldwatch.gap.mechanisms.level import LIGHT_BIAS
from yieldwatch.portfolio.model import Site

#: Standard uncertainty of what each kind of reading shows, as a share of what is read. Common practice, no source: a string's
#: traced power against its neighbours'; the current of washed strings against unwashed ones beside them; a pyranometer against
#: a calibrated one; DC and AC clamps of one inverter; a logger's channels against each other over some weeks.
NOISE = {"test_strings": 0.03, "wash_witness": 0.007, "check_light_sensor": 0.008, "read_clamps": 0.02, "fit_logger": 0.005}
#: What is done, in plain words; it stands in handbook/next-measurement.md too.
HOW = {
    "test_strings": "trace the string and its neighbours in one sitting",
    "wash_witness": "wash two strings, and compare their short-circuit current before and after with unwashed ones beside them",
    "check_light_sensor": "clean and level the light sensor, and read it beside a calibrated one on a clear noon",
    "read_clamps": "read DC and AC power of the inverter and of one of its like, at the same time",
    "fit_logger": "log each inverter's power by the quarter of an hour, and read it after some weeks",
}
#: What washing witness strings takes, by cost unit of an inspection; and what each reading of a crew does.
OF_WITNESS = {"string": 4.0, "visit": 1.0, "inverter": 1.0}
_OF_ONE = {"string": 1.0, "visit": 1.0, "inverter": 1.0}
UNITS = {"test_strings": _OF_ONE, "wash_witness": OF_WITNESS, "check_light_sensor": _OF_ONE,
         "read_clamps": {**_OF_ONE, "inverter": 2.0}, "fit_logger": {}}
#: Readings that need strong light.
IN_STRONG_LIGHT = ("test_strings", "wash_witness", "check_light_sensor", "read_clamps")
#: A loss that is there, or is not, with this confidence needs no reading.
_SURE = 0.995


@dataclass(frozen=True, eq=False)
class Reading:
    """
    One reading that could be made.

    Attributes
    ----------
    site_id, kind : str
        `kind` is a key of `NOISE`.
    scope : tuple of str
        ("site",) or identifiers of strings or inverters.
    shows : dict of str to ndarray, shape (n_draws,)
        By job, what it would show of the job's loss without noise.
    noise : float
        Standard uncertainty of it, in the same unit.
    units : dict of str to float
        By cost unit of an inspection, how many it takes.
    """

    site_id: str
    kind: str
    scope: tuple[str, ...]
    shows: Mapping[str, np.ndarray]
    noise: float
    units: dict[str, float] = field(default_factory=dict)


def readings(site: Site, state: SiteState, jobs: list[Candidate]) -> list[Reading]:
    """
    The readings that bear on a site's jobs.

    Parameters
    ----------
    site : Site
    state : SiteState
    jobs : list of Candidate
        Of the site, from `candidates.candidates`.

    Returns
    -------
    list of Reading
        One of each string whose fault is in doubt and each inverter whose conversion is; for the site, washed witness strings
        and the light sensor where cleaning is in question, and an interval log where there is none.
    """
    return [*_strings(site, jobs), *_dirt(site, state, jobs), *_clamps(site, jobs), *_logger(site, state, jobs)]


def _strings(site: Site, jobs: list[Candidate]) -> Iterator[Reading]:
    names = {s.string_id for s in site.strings}
    for job in jobs:
        of_strings = job.job_kind in ("repair_string", "replace_modules") and set(job.scope) <= names
        if of_strings and job.size is not None and job.confidence < _SURE:
            yield Reading(site.id, "test_strings", job.scope, {job_id(job): job.size}, NOISE["test_strings"],
                          UNITS["test_strings"])


def _dirt(site: Site, state: SiteState, jobs: list[Candidate]) -> Iterator[Reading]:
    for job in jobs:
        if job.job_kind == "clean" and job.size is not None:
            yield Reading(site.id, "wash_witness", ("site",), {job_id(job): job.size}, NOISE["wash_witness"],
                          UNITS["wash_witness"])
            bias = [n for n, c in enumerate(state.posterior.columns) if c.name == LIGHT_BIAS]
            if bias:
                every = max(1, len(state.posterior.draws) // N_DRAWS)
                shown = state.posterior.draws[::every, bias].sum(axis=1)
                yield Reading(site.id, "check_light_sensor", ("site",), {job_id(job): shown}, NOISE["check_light_sensor"],
                              UNITS["check_light_sensor"])


def _clamps(site: Site, jobs: list[Candidate]) -> Iterator[Reading]:
    for job in jobs:
        if job.cause == "inverter_efficiency" and job.size is not None:
            yield Reading(site.id, "read_clamps", job.scope, {job_id(job): job.size}, NOISE["read_clamps"],
                          UNITS["read_clamps"])


def _logger(site: Site, state: SiteState, jobs: list[Candidate]) -> Iterator[Reading]:
    """A log shows each inverter, and so of a string its part of one; dirt that all share it does not show."""
    if state.log is not None:
        return
    shows, size_of = {}, {i.inverter_id: 0.0 for i in site.inverters}
    for string in site.strings:
        size_of[string.inverter_id] += string.p_mp_w
    by_name = {s.string_id: s for s in site.strings}
    for job in jobs:
        if job.size is None or job.cause not in ("string_fault", "inverter_efficiency"):
            continue
        of_string = by_name.get(job.scope[0])
        part = of_string.p_mp_w / size_of[of_string.inverter_id] if of_string else 1.0
        shows[job_id(job)] = -np.log1p(part * np.expm1(-job.size))
    if shows:
        yield Reading(site.id, "fit_logger", ("site",), shows, NOISE["fit_logger"])
