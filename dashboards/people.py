"""
Who made the request that is being answered.
"""

from __future__ import annotations

import getpass

import flask

from dashboards.visit import Person


def current_person() -> Person:
    """The person signed in, or, where there are no accounts, the one who started the server, with all roles."""
    return flask.g.get("person") or Person(_own_name())


def _own_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "owner"
