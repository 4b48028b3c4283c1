"""
What a cut of vegetation won of the sky's light: the step in hours in which no beam is in shade.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from yieldwatch.gap.attribute import SiteState
from yieldwatch.proof.effect import Prior, fit_effect
from yieldwatch.proof.series import Series, over_rows, shade_free
from yieldwatch.proof.shade import without_shade

#: Of all energy, what a cut wins of the sky's light: some is always freed, and a hedge as near as it is high hides a tenth of
#: that light. Common practice, no source.
_OF_SKY = Prior((0.005, 0.02, 0.06), nothing=0.1, harms=0.02, chance=0.01)
#: How inverters part, and err against the model, between clear and overcast. Standard deviation. Common practice, no source.
BY_CLOUD = 0.05
#: Step of the model's level over a season, and of near inverters in hours taken for free of shade where all hours are in it.
#: Standard deviations. Common practice, no source.
MODEL_STEP, NEAR_STEP = 0.007, 0.08
#: Days on either side over which the sky's light is compared: beyond them season and dirt tell more than the cut. Common
#: practice, no source.
SKY_DAYS = 90
#: Step by other work on some of several inverters. Standard deviation as a fraction. Common practice, no source.
VISIT_STEP = 0.03


def sky_energy(state: SiteState, treated: list[int], within: np.ndarray | slice = slice(None)) -> tuple[np.ndarray, np.ndarray]:
    """
    Energy of these inverters with all but shade acting, and its part from the sky, by day; shape (n_days,) each. [kWh]

    Of some blocks only, if `within` names them.
    """
    blocks = state.blocks
    energy = (blocks.expected * np.exp(-without_shade(state)))[treated]
    parts = (energy.sum(axis=0), (energy * (1.0 - blocks.beam_share[treated])).sum(axis=0))
    whole, sky = (np.bincount(blocks.day[within], weights=x[within], minlength=len(blocks.dates)) for x in parts)
    return whole, sky


def sky_step(state: SiteState, rows: Series, which: list[int], control: list[int], span: tuple[int, int, int],
             visits: Sequence[int], light: Sequence[tuple[np.ndarray, float]], rng: np.random.Generator,
             n_draws: int) -> np.ndarray | None:
    """
    Draws of the share of all energy that some inverters won back, beyond what their control did; None with too few days.

    Parameters
    ----------
    rows : Series
        Of hours without shade, up to `SKY_DAYS` from the cut.
    which, control : list of int
        Without control the model serves.
    span : tuple of int
        First day that counts, day of the cut, and day after the last.
    visits : sequence of int
        Days of other work on these inverters.
    light : sequence of (ndarray, float)
        As `known` of `fit_effect`: what may have moved the light.
    """
    start, day, end = span
    (whole, sky), (whole_all, sky_all) = (
        sky_energy(state, which, w) for w in (shade_free(state, [*which, *control]), slice(None)))
    part = over_rows(sky / np.maximum(whole, 1e-9), whole, rows)
    before = (rows.first < day).astype(float)
    seen, gained = slice(max(start, day - SKY_DAYS), day), slice(day + 1, end)
    # Under shade most of the day, what is left of it passes for the sky's.
    free_share = float(whole[seen].sum() / max(whole_all[seen].sum(), 1e-9))
    # Under cloud the model errs, and more is hidden, than in the clear.
    known = [*light, *(((part - part.mean()) * side, BY_CLOUD) for side in (1.0, before)),
             *(((rows.first > d).astype(float), VISIT_STEP) for d in visits if start < d < end),
             (before, NEAR_STEP * (1.0 - free_share) if control else MODEL_STEP)]
    found = fit_effect(0.5 * (rows.first + rows.last), rows.value, rows.weight, [-before], rows.first > day, known, seed=day,
                       n_draws=n_draws, prior=_OF_SKY)
    if found is None:
        return None
    # All hours win as much as those without shade, or in proportion to their light from the sky.
    bright = (sky_all[gained].sum() / max(whole_all[gained].sum(), 1e-9)) * whole[seen].sum() / max(sky[seen].sum(), 1e-9)
    return found.draws * rng.uniform(min(bright, 1.0), max(bright, 1.0), n_draws)
