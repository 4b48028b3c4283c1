"""Every kind of job carries its cautions."""

from __future__ import annotations

import pytest

from yieldwatch.action.cautions import DEFERRAL, caution_text
from yieldwatch.constants import LOOKS, WORKS

# What each kind must warn of, in the words of public guidance: fire service ("will remain live"),
# safety regulators (prove dead; polarised isolators; polarity and fires), IEC 62446-1 (from memory),
# and common practice for cleaning and cutting.
_LIVE = ["DC is live whenever there is light", "prove dead", "under load", "1500 V", "Two people"]
_OUTSIDE = ["falls", "lightning", "3 m from overhead lines"]
NEEDED = {
    "repair_string": [*_LIVE, *_OUTSIDE, "polarity", "insulation test"],
    "replace_modules": [*_LIVE, *_OUTSIDE, "polarity", "insulation test"],
    "repair_inverter": [*_LIVE, *_OUTSIDE, "polarity", "insulation test"],
    "inspect": [*_LIVE, *_OUTSIDE, "insulation test"],
    "fix_settings": [*_OUTSIDE, "prove dead", "grid operator's consent"],
    "clean": [*_OUTSIDE, "DC is live", "cool modules", "no walking on glass", "cracked modules"],
    "cut_vegetation": [*_OUTSIDE, "DC is live", "cables", "stones", "nesting birds"],
    "look_at_dirt": [*_LIVE, *_OUTSIDE, "polarity", "Water and live DC", "cracked modules"],
    "look_at_plants": [*_OUTSIDE, "DC is live", "climbs", "nesting birds"],
    "claim": ["taken down for the claim's tests"],
}


@pytest.mark.sourced
@pytest.mark.parametrize("work", WORKS)
def test_each_kind_of_job_carries_its_cautions_and_the_deferral(work):
    looked_at = {name: cause for cause, name in LOOKS.items()}.get(work)
    text = caution_text("inspect", looked_at) if looked_at else caution_text(work)
    assert [words for words in NEEDED[work] if words not in text] == []
    assert text.endswith(DEFERRAL)


def test_the_deferral_names_licensed_persons_and_local_codes():
    assert "licensed persons" in DEFERRAL
    assert "local codes" in DEFERRAL


def test_an_unknown_kind_of_job_is_refused():
    with pytest.raises(ValueError, match="job_kind = paint"):
        caution_text("paint")
