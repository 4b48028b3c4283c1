"""
Series worked out once by an assessment so that a page only has to draw them, one module a kind.

A kind is a module with `prepare(subject)`, which yields `Picture` records, and its place in `PREPARERS`.
"""

from __future__ import annotations

from yieldwatch.pictures import coverage, dirt, doubt, gaps, inverters, sensors, spells, strings, sun_position
from yieldwatch.pictures.base import Picture, Subject

__all__ = ["PREPARERS", "Picture", "Subject", "prepare_pictures"]

PREPARERS = tuple(module.prepare for module in (coverage, doubt, sun_position, dirt, strings, inverters, spells, sensors, gaps))


def prepare_pictures(subject: Subject) -> tuple[Picture, ...]:
    """All pictures of a site; a kind whose data are not there gives none."""
    return tuple(picture for prepare in PREPARERS for picture in prepare(subject))
