"""
Starting the server.
"""

from __future__ import annotations

import ipaddress
import logging
import sys
import threading
from pathlib import Path

import waitress

from dashboards.accounts import FILE_NAME, Accounts
from dashboards.app import create_app
from dashboards.visit import place_of
from yieldwatch.errors import InputError
from yieldwatch.report.pdf import why_no_pdf

#: Requests answered at a time.
THREADS = 8


def serve(portfolio: Path, folder: Path, host: str, port: int, book: str | None = None, https: bool = False) -> None:
    """
    Serve until interrupted.

    Parameters
    ----------
    https : bool
        Whether browsers come by https, through a proxy on this machine, whose word on address and host is then taken.

    Raises
    ------
    InputError
        If other machines could reach it and there is no account.
    """
    if not (portfolio / "portfolio.toml").is_file():
        raise InputError(f"PORTFOLIO = {portfolio}, without portfolio.toml. Expected the folder that holds it. Name that one.")
    accounts = Accounts(portfolio / FILE_NAME)
    if (https or not _loopback(host)) and not accounts.any():
        raise InputError(f"--host = {host}{', --https' if https else ''}: other machines could reach it, and there is no "
                         "account. Expected one at least. Add it: yieldwatch accounts PORTFOLIO add NAME --role owner.")
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s", stream=sys.stderr)
    # What lays out paper tells each of its steps.
    logging.getLogger("weasyprint").setLevel(logging.WARNING)
    place = place_of(portfolio, folder, book)
    app = create_app(place, accounts, https)
    # The library that lays out paper takes a second to load: whoever opens the plan first need not wait for it.
    threading.Thread(target=why_no_pdf, name="paper", daemon=True).start()
    shown = f"[{host}]" if ":" in host else host
    print(f"Showing {portfolio} at http://{shown}:{port}/ (stop with Ctrl-C)", file=sys.stderr, flush=True)
    proxy = {"trusted_proxy": "127.0.0.1", "trusted_proxy_count": 1, "clear_untrusted_proxy_headers": True,
             "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-host", "x-forwarded-proto"}} if https else {}
    try:
        waitress.serve(app.server, host=host, port=port, threads=THREADS, ident=None, **proxy)
    except OSError as err:
        raise InputError(f"--host = {host}, --port = {port}: cannot listen there ({err.strerror or err}). Expected a free "
                         "port of this machine. Name another one.") from None
    finally:
        place.runner.stop()


def _loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
