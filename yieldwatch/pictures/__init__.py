"""
Series worked out once by an assessment so that a page only has to draw them, one module a kind.

A kind is a module with `prepare(subject)`, which yields `Picture` records, and its place in `PREPARERS`.
"""

from __future__ import annotations

from yieldwatch.pictures.base import Picture, Subject
from yieldwatch.pictures.coverage import prepare as coverage

__all__ = ["PREPARERS", "Picture", "Subject", "prepare_pictures"]

PREPARERS = (coverage,)


def prepare_pictures(subject: Subject) -> tuple[Picture, ...]:
    """All pictures of a site; a kind whose data are not there gives none."""
    return tuple(picture for prepare in PREPARERS for picture in prepare(subject))
