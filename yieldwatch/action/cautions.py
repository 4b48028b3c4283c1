"""
The cautions that go with each kind of job, in general words.

They come before local codes and licensed practice and replace neither.
"""

from __future__ import annotations

from collections.abc import Sequence

from yieldwatch.constants import JOB_KINDS, WORKS, work_of

_TESTED = ("repair_string", "replace_modules", "repair_inverter", "inspect")
_ELECTRICAL = (*_TESTED, "look_at_dirt")
_ON_SITE = (*_ELECTRICAL, "clean", "cut_vegetation", "fix_settings", "look_at_plants")

#: Sentence that ends every set of cautions.
DEFERRAL = (
    "This is advice for planning: electrical work is for licensed persons, and local codes, the plant's own "
    "rules and the makers' instructions come first."
)

#: (caution, works that carry it, as `constants.work_of` names them), in the order in which they are read.
CAUTIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    # Fire service and safety regulators' public guidance: conductors up to the DC isolator stay live.
    (
        "DC is live whenever there is light: modules and the cables up to the DC isolator cannot be switched "
        "off, and a string can hold up to 1500 V DC.",
        (*_ELECTRICAL, "clean", "cut_vegetation", "look_at_plants"),
    ),
    # Safety regulators' public guidance; lock-out and tag-out rules.
    (
        "Never take a circuit for dead because a switch is off: isolate, lock and tag, prove dead at the "
        "point of work, test before you touch.",
        (*_ELECTRICAL, "fix_settings"),
    ),
    # Module makers' instructions and safety regulators: a DC arc does not put itself out.
    (
        "Never unplug a connector or pull a fuse under load: stop the inverter, open the load-break "
        "isolator, confirm no current with a DC clamp, then disconnect.",
        _ELECTRICAL,
    ),
    # Safety regulators' audits of solar farms: reversed strings have set combiners on fire.
    (
        "Check polarity and open-circuit voltage of each string before it is connected or its fuse inserted.",
        ("repair_string", "replace_modules", "repair_inverter", "look_at_dirt"),
    ),
    # IEC 62446-1 (from memory).
    (
        "An insulation test puts up to 1500 V on the whole string: bar the area, disconnect inverter and "
        "surge arresters, discharge afterwards, keep everyone off the metalwork.",
        _TESTED,
    ),
    # Common practice, no source.
    (
        "Two people, insulated tools, meters and leads rated for the DC voltage, protection against arc "
        "flash and shock as the site assessment says; no jewellery.",
        _ELECTRICAL,
    ),
    # Common practice, no source.
    (
        "Modules are heavy and catch the wind: two people or a lifting aid to each, none lifted in gusts; gloves for broken "
        "glass.",
        ("replace_modules",),
    ),
    # Common practice, no source.
    (
        "Change grid protection, export limit or reactive power only with the grid operator's consent; a "
        "setting can breach the connection agreement.",
        ("fix_settings",),
    ),
    # Common practice, no source.
    (
        "Wash cool modules only, early or late; no walking on glass; leave out cracked modules and have them "
        "isolated first, because wet broken glass can make frames live.",
        ("clean", "look_at_dirt"),
    ),
    # Common practice, no source.
    (
        "Water and live DC: no jet and no water on plugs, boxes and cables, no pole that conducts, dry hands and gloves at the "
        "measuring leads.",
        ("clean", "look_at_dirt"),
    ),
    # Common practice, no source.
    (
        "Mark surface and buried cables before cutting; thrown stones and blades damage glass, cables and "
        "people.",
        ("cut_vegetation",),
    ),
    # Common practice, no source; dates differ by country.
    ("Check for nesting birds and for local no-cut dates first.", ("cut_vegetation", "look_at_plants")),
    # Safety regulators' summaries on falls; the rest is common practice.
    (
        "Measure from the ground: nobody climbs a tree, a table or a fence; poles, tapes and hands stay off cables and "
        "terminals; nothing is cut on this visit.",
        ("look_at_plants",),
    ),
    # Common practice, no source.
    ("Nobody works alone: agree who is called, when, and what is done if the call does not come.", _ON_SITE),
    # Safety regulators' summaries on falls.
    ("Roofs, ladders and structures need protection from falls.", _ON_SITE),
    # Safety regulators: keep 3 m (10 ft) from overhead lines; the rest is common practice.
    (
        "Stop for rain, lightning, high wind and ice; plan for heat; keep at least 3 m from overhead lines.",
        _ON_SITE,
    ),
    # Common practice, no source.
    (
        "If modules are taken down for the claim's tests, that is electrical work with all its cautions: DC "
        "is live whenever there is light.",
        ("claim",),
    ),
)


def caution_text(job_kind: str, cause: str = "") -> str:
    """
    The cautions of a kind of job as one paragraph, with the deferral to local codes at its end.

    Parameters
    ----------
    job_kind : str
        One of `yieldwatch.constants.JOB_KINDS`.
    cause : str
        Which loss it is for, where that decides what is done.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If the kind is not known, so that no job leaves without its cautions.
    """
    return " ".join(cautions_of([work_of(job_kind, cause)]))


def cautions_of(works: Sequence[str]) -> tuple[str, ...]:
    """The cautions of works done in one visit, each once, and the deferral; raises as `caution_text`."""
    for work in works:
        if work not in WORKS:
            raise ValueError(f"job_kind = {work}, not known. Expected one of {', '.join(JOB_KINDS)}.")
    return *(text for text, of in CAUTIONS if set(of) & set(works)), DEFERRAL
