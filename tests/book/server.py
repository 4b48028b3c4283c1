"""A PostgreSQL server of its own for the tests, in a folder that goes with it."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg

#: With signs that an address must escape, so that a slip would show.
PASSWORD = "s3cret@/'?"


def binaries() -> Path | None:
    """The folder of the newest server that Debian's packages or the path hold."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: float(p.parts[-3]))
    named = shutil.which("initdb")
    return found[-1].parent if found else Path(named).resolve().parent if named else None


def why_not() -> str | None:
    """Why no server can be started here; None if it can."""
    if binaries() is None:
        return "no PostgreSQL server is installed (apt-get install postgresql)"
    if os.geteuid() == 0 and not (shutil.which("runuser") and _has_user()):
        return "PostgreSQL does not run as root, and there is no user postgres to run it as"
    return None


def _has_user() -> bool:
    return subprocess.run(["id", "postgres"], capture_output=True, check=False).returncode == 0


def _run(command: list[str], folder: Path) -> None:
    by = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    done = subprocess.run([*by, *command], cwd=folder, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr


@contextmanager
def server() -> Iterator[int]:
    """Start a server that asks for a password; yields its port."""
    tools = binaries()
    assert tools is not None
    folder = Path(tempfile.mkdtemp(prefix="yieldwatch-pg-"))
    try:
        (folder / "password").write_text(PASSWORD)
        if os.geteuid() == 0:
            for path in (folder, folder / "password"):
                shutil.chown(path, "postgres")
        data = str(folder / "data")
        _run([str(tools / "initdb"), "-D", data, "-U", "planner", "--pwfile", str(folder / "password"), "-A", "scram-sha-256",
              "-E", "UTF8", "--locale", "C"], folder)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        settings = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder} -c fsync=off"
        _run([str(tools / "pg_ctl"), "-D", data, "-w", "-l", str(folder / "log"), "-o", settings, "start"], folder)
        try:
            yield port
        finally:
            _run([str(tools / "pg_ctl"), "-D", data, "-m", "immediate", "stop"], folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def make_database(port: int, name: str) -> None:
    """Make an empty database."""
    with psycopg.connect(host="127.0.0.1", port=port, user="planner", password=PASSWORD, dbname="postgres",
                         autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")  # the name is our own count
