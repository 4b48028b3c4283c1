"""
The command that keeps the accounts. Passwords are asked for, never taken from the command line, where others could read them.
"""

from __future__ import annotations

import argparse
import getpass
import sys
from pathlib import Path

from yieldwatch.errors import InputError

EXAMPLE = "yieldwatch accounts sample_portfolio add 'Ada Brand' --role owner"
ROLES = ("owner", "analyst", "planner")


def add_accounts(commands: argparse._SubParsersAction) -> None:
    """Add `yieldwatch accounts PORTFOLIO ...`."""
    about = "keep the accounts of those who may see the dashboards"
    accounts = commands.add_parser(
        "accounts", help=about, description=f"{about[0].upper()}{about[1:]}. As soon as there is one, everybody signs in.",
        epilog=f"Example:\n  {EXAMPLE}", formatter_class=argparse.RawDescriptionHelpFormatter)
    accounts.add_argument("portfolio", metavar="PORTFOLIO", type=Path, help="the folder that holds portfolio.toml")
    actions = accounts.add_subparsers(required=True, metavar="ACTION")
    actions.add_parser("list", help="list the accounts").set_defaults(run=_list)
    changes = (("add", "add an account", _add), ("roles", "give an account other roles", _roles),
               ("password", "give an account another password", _password), ("remove", "remove an account", _remove))
    for name, words, run in changes:
        action = actions.add_parser(name, help=words, description=f"{words[0].upper()}{words[1:]}.")
        action.add_argument("name", metavar="NAME", help="the person's name, under which decisions are written")
        if name in ("add", "roles"):
            action.add_argument("--role", action="append", choices=ROLES, required=True, help="may be given several times")
        action.set_defaults(run=run)


def _open(options: argparse.Namespace):  # type: ignore[no-untyped-def]
    # Loaded here alone: no other command should wait for it.
    from dashboards.accounts import FILE_NAME, Accounts

    if not options.portfolio.is_dir():
        raise InputError(f"PORTFOLIO = {options.portfolio}, no folder. Expected the folder that holds portfolio.toml.")
    return Accounts(options.portfolio / FILE_NAME)


def _list(options: argparse.Namespace) -> None:
    found = _open(options).all()
    for account in found:
        print(f"{account.name}: {', '.join(sorted(account.roles))}")
    if not found:
        print("No account.")


def _add(options: argparse.Namespace) -> None:
    account = _open(options).add(options.name, options.role, _asked())
    print(f"{account.name}: {', '.join(sorted(account.roles))}")


def _roles(options: argparse.Namespace) -> None:
    _open(options).set_roles(options.name, options.role)


def _password(options: argparse.Namespace) -> None:
    _open(options).set_password(options.name, _asked())


def _remove(options: argparse.Namespace) -> None:
    _open(options).remove(options.name)


def _asked() -> str:
    """A password, typed twice; or the first line of what is piped in."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass("Password: ")
    if getpass.getpass("Again: ") != first:
        raise InputError("password: the two differ. Expected the same twice. Type it again.")
    return first
