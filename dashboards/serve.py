"""
Starting the server.
"""

from __future__ import annotations

import sys
from pathlib import Path

import waitress

from dashboards.app import create_app
from dashboards.jobs import Jobs
from dashboards.store import Store
from dashboards.visit import Place

#: Requests answered at a time.
THREADS = 8


def serve(portfolio: Path, folder: Path, host: str, port: int, book: str | None = None) -> None:
    """Serve until interrupted."""
    app = create_app(Place(portfolio, folder, Store(folder), Jobs(portfolio, book)))
    print(f"Showing {portfolio} at http://{host}:{port}/ (stop with Ctrl-C)", file=sys.stderr, flush=True)
    waitress.serve(app.server, host=host, port=port, threads=THREADS, ident=None)
