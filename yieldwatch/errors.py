"""
Every error a user can cause, as one tree.

YieldwatchError
├── InputError (also a ValueError)   an argument or a file holds what it must not
│   ├── PortfolioError               portfolio.toml, site.toml, type and asset tables
│   ├── FieldDataError               weather, readings, events, prices, load
│   └── BookError                    the job book cannot be opened, or a change to it is not allowed
│       └── ChangedMeanwhile         someone else changed the job first
└── NotEnoughData                    the evidence is too thin for the answer asked for

A message says where, what was found, what is allowed and what to do next.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class YieldwatchError(Exception):
    """Base of every error that is a message to the user and not a bug."""


class InputError(YieldwatchError, ValueError):
    """
    Something the user gave cannot be used.

    Parameters
    ----------
    problems : str or iterable of str
        One message, or all the messages that one file gave rise to.
    """

    def __init__(self, problems: str | Iterable[str]):
        self.problems = [problems] if isinstance(problems, str) else list(problems)
        super().__init__("\n".join(self.problems))


class PortfolioError(InputError):
    """The description of what is owned is wrong or incomplete."""


class FieldDataError(InputError):
    """A file of readings cannot be used at all (single bad rows are set aside instead)."""


class BookError(InputError):
    """The job book cannot be used, or a change to a job is not allowed."""


class ChangedMeanwhile(BookError):
    """Someone else changed the job first; the message says who changed what, and nothing is written."""


class NotEnoughData(YieldwatchError):
    """The evidence is too thin for the answer asked for; the message says what is missing."""


def ended(text: str) -> str:
    """Return the text with a full stop, unless it ends a sentence already."""
    return text if text.endswith((".", "?", "!")) else f"{text}."


def near_miss(word: str, allowed: Iterable[str]) -> str:
    """
    Return ' Did you mean "..."?' with the closest allowed word, or an empty string.
    """
    close = difflib.get_close_matches(word, list(allowed), n=1, cutoff=0.6)
    return f' Did you mean "{close[0]}"?' if close else ""
