"""
Accounts and sessions, in a small SQLite file beside the portfolio.

Passwords are kept as Argon2id hashes (RFC 9106), session keys as digests, so that the file gives neither away.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import sqlite3
import threading
import time
import unicodedata
from collections.abc import Collection, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from yieldwatch.book.values import person
from yieldwatch.errors import InputError

FILE_NAME = "accounts.sqlite"
ROLES = ("owner", "analyst", "planner")
#: Shortest password. NIST SP 800-63B-4 (2025) asks for 15 characters where a password is the only factor.
SHORTEST, LONGEST = 15, 200
#: How long a session lasts: without use, and at most. Common practice, no source. [s]
IDLE_S, LONGEST_S = 8 * 3600, 7 * 24 * 3600
#: How often its last use is written down. [s]
_NOTED_S = 60
#: Hashes worked out at a time, since each takes 64 MiB.
_AT_ONCE = threading.BoundedSemaphore(2)
_SCHEMA = """
create table if not exists accounts (name text primary key collate nocase, roles text not null, hash text not null) strict;
create table if not exists sessions (digest text primary key, name text not null collate nocase, began real not null,
    used real not null) strict;
"""


class Account(NamedTuple):
    name: str
    roles: frozenset[str]


class Accounts:
    """
    The accounts of a portfolio.

    Parameters
    ----------
    path : Path
        Of the file; it is made, for its owner's eyes only, when the first account is added.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._hasher = PasswordHasher()
        # Checked where there is no such account, so that the time taken does not say which names exist.
        self._nobody = self._hasher.hash(secrets.token_hex(16))

    def any(self) -> bool:
        return bool(self.all())

    def all(self) -> tuple[Account, ...]:
        if not self.path.is_file():
            return ()
        with self._open() as store:
            rows = store.execute("select name, roles from accounts order by name").fetchall()
        return tuple(Account(name, frozenset(roles.split())) for name, roles in rows)

    def add(self, name: str, roles: Collection[str], password: str) -> Account:
        """
        Raises
        ------
        InputError
            If the name is taken or no name, a role is not known, or the password is too short.
        """
        name, kept = person(name), _roles(roles)
        hashed = self._hash(password)
        if not self.path.exists():
            os.close(os.open(self.path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        with self._open() as store:
            store.executescript(_SCHEMA)
            if store.execute("select 1 from accounts where name = ?", [name]).fetchone():
                raise InputError(f'NAME = "{name}", taken already. Expected a new name. Choose another, or change that account.')
            store.execute("insert into accounts values (?, ?, ?)", [name, kept, hashed])
        return Account(name, frozenset(kept.split()))

    def set_roles(self, name: str, roles: Collection[str]) -> None:
        self._change(name, "update accounts set roles = ? where name = ?", [_roles(roles), name])

    def set_password(self, name: str, password: str) -> None:
        """Also ends the account's sessions."""
        self._change(name, "update accounts set hash = ? where name = ?", [self._hash(password), name])

    def remove(self, name: str) -> None:
        """Also ends the account's sessions."""
        self._change(name, "delete from accounts where name = ?", [name])

    def sign_in(self, name: str, password: str) -> str | None:
        """A new session's key if the password is the account's, else None."""
        if len(name) > LONGEST or len(password) > LONGEST or not self.path.is_file():
            return None
        with self._open() as store:
            found = store.execute("select name, hash from accounts where name = ?", [name]).fetchone()
        with _AT_ONCE:
            try:
                self._hasher.verify(found[1] if found else self._nobody, _even(password))
            except (VerificationError, InvalidHashError):
                return None
        if not found:
            return None
        key, now = secrets.token_urlsafe(32), time.time()
        with self._open() as store:
            store.execute("delete from sessions where began < ? or used < ?", [now - LONGEST_S, now - IDLE_S])
            if self._hasher.check_needs_rehash(found[1]):
                store.execute("update accounts set hash = ? where name = ?", [self._hasher.hash(_even(password)), found[0]])
            store.execute("insert into sessions values (?, ?, ?, ?)", [_digest(key), found[0], now, now])
        return key

    def who(self, key: str) -> Account | None:
        """Whose session a key is, with the roles that the account has now."""
        now = time.time()
        with self._open() as store:
            row = store.execute(
                "select a.name, a.roles, s.used from sessions s join accounts a on a.name = s.name "
                "where s.digest = ? and s.began > ? and s.used > ?", [_digest(key), now - LONGEST_S, now - IDLE_S]).fetchone()
            if row and now - row[2] > _NOTED_S:
                store.execute("update sessions set used = ? where digest = ?", [now, _digest(key)])
        return Account(row[0], frozenset(row[1].split())) if row else None

    def sign_out(self, key: str) -> None:
        with self._open() as store:
            store.execute("delete from sessions where digest = ?", [_digest(key)])

    def _change(self, name: str, statement: str, values: list) -> None:
        if not self.path.is_file():
            raise InputError(f'NAME = "{name}", no account. Expected one. Add it with yieldwatch accounts PORTFOLIO add.')
        with self._open() as store:
            if not store.execute(statement, values).rowcount:
                names = ", ".join(a.name for a in self.all()) or "none, since there is no account yet"
                raise InputError(f'NAME = "{name}", no account. Expected one of {names}.')
            store.execute("delete from sessions where name = ?", [name])

    def _hash(self, password: str) -> str:
        if not SHORTEST <= len(password) <= LONGEST:
            raise InputError(f"password: {len(password)} characters. Expected {SHORTEST} to {LONGEST}. Choose a longer one; some "
                             "words in a row will do.")
        with _AT_ONCE:
            return self._hasher.hash(_even(password))

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(self.path, timeout=10)) as store, store:
                yield store
        except sqlite3.Error as err:
            raise InputError(f"{self.path}: the accounts cannot be used ({err}). Expected a file that can be written.") from None


def _roles(roles: Collection[str]) -> str:
    unknown = sorted(set(roles) - set(ROLES))
    if unknown or not roles:
        raise InputError(f"role = {', '.join(unknown) or 'none'}. Expected one or more of {', '.join(ROLES)}.")
    return " ".join(sorted(set(roles)))


def _even(password: str) -> str:
    """Keyboards write the same sign in several ways."""
    return unicodedata.normalize("NFKC", password)


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()
