"""
The portfolio folder -> a validated `Portfolio`.
"""

from __future__ import annotations

import re
from dataclasses import replace
from os import PathLike
from pathlib import Path

from yieldwatch.columns import TABLES
from yieldwatch.errors import InputError, PortfolioError
from yieldwatch.portfolio import assets, keys
from yieldwatch.portfolio.cells import ID_PATTERN
from yieldwatch.portfolio.days_off import read_days_off
from yieldwatch.portfolio.files import note_strangers
from yieldwatch.portfolio.model import Portfolio
from yieldwatch.portfolio.settings import Settings, read_toml
from yieldwatch.portfolio.site import Types, read_site
from yieldwatch.portfolio.unlikely import unlike_prices

_FILE = "portfolio.toml"
_FORMAT = 1


def read_portfolio(path: str | PathLike[str]) -> Portfolio:
    """
    Read and check everything that describes what is owned; no readings.

    Parameters
    ----------
    path : path
        The portfolio's folder.

    Returns
    -------
    Portfolio
        `notices` says what was ignored or assumed.

    Raises
    ------
    PortfolioError
        With every problem of every file, each on one line. Nothing is set aside here: a string left
        out would make every total wrong.
    """
    root = Path(path)
    settings, problems = _portfolio_settings(root)
    notices: list[str] = []
    modules, module_names = assets.module_types(root, problems, notices)
    inverters, inverter_names = assets.inverter_types(root, problems, notices)
    costs = assets.job_costs(root, TABLES["job_costs"], "", problems, notices)
    types = Types(modules, module_names, inverters, inverter_names, costs)
    ids = _site_ids(root, problems, notices)
    days_off = read_days_off(settings["days_off"] or [], _FILE, problems)
    sites = [read_site(root, site_id, types, problems, notices) for site_id in ids]
    if problems:
        raise PortfolioError(problems)
    notices.extend(unlike_prices([site for site in sites if site is not None], settings["currency"]))
    return Portfolio(
        name=settings["name"], currency=settings["currency"], discount_rate=settings["discount_rate"],
        works_budget=settings["works_budget"], crew_days=settings["crew_days"],
        horizon_months=settings.get("horizon_months", 36),
        module_types=modules, inverter_types=inverters,
        sites=tuple(replace(s, days_off=(*s.days_off, *days_off)) for s in sites if s is not None),
        notices=tuple(notices),
    )


def _portfolio_settings(root: Path) -> tuple[Settings, list[str]]:
    if not root.exists():
        raise PortfolioError(f"{root}: is not there. Expected the folder of a portfolio. Check the path.")
    if not root.is_dir():
        raise PortfolioError(f"{root}: is a file. Expected the folder of a portfolio. Name the folder that "
                             f"holds {_FILE}.")
    if not (root / _FILE).exists():
        raise PortfolioError(f"{root}: holds no {_FILE}. Expected the folder of a portfolio. Name the folder that holds it, or "
                             "write it; README.md shows the least.")
    try:
        raw = read_toml(root, _FILE)
    except InputError as err:
        raise PortfolioError(err.problems) from err
    found = raw.get("format")
    if isinstance(found, bool) or found != _FORMAT:
        what = "is missing" if found is None else f"= {found!r}, which this version cannot read"
        raise PortfolioError(f"{_FILE}: format {what}. Expected {_FORMAT}. Bring the folder to that format.")
    problems: list[str] = []
    settings = Settings(raw, keys.PORTFOLIO, _FILE, problems)
    currency = settings["currency"]
    if currency is not None and not re.fullmatch(r"[A-Z]{3}", currency):
        settings.refuse(f'currency = "{currency}", not an ISO 4217 code. Expected three capitals such as EUR')
    return settings, problems


def _site_ids(root: Path, problems: list[str], notices: list[str]) -> list[str]:
    folder = root / "sites"
    note_strangers(root, "", [*(t.place for t in TABLES.values()), "sites"], notices)
    if not folder.is_dir():
        problems.append("sites: is missing. Expected a folder with one folder for each site. Add it.")
        return []
    hidden = sorted(p.name for p in folder.glob(".*") if p.is_dir())
    notices.extend(f"sites/{name}: ignored, as its name begins with a point. If it is a site, rename it." for name in hidden)
    inside = sorted(p for p in folder.iterdir() if not p.name.startswith("."))
    stray = [p.name for p in inside if not p.is_dir()]
    if stray:
        notices.append(f"sites: ignored {', '.join(stray)}; only folders are sites.")
    ids = [p.name for p in inside if p.is_dir()]
    if not ids:
        problems.append("sites: holds no site. Expected a folder for each site. Add one.")
    bad = [i for i in ids if not re.fullmatch(ID_PATTERN, i)]
    problems.extend(f"sites/{i}: the folder's name is not an identifier. "
                    "Expected letters, digits, -, _ and . only. Rename it." for i in bad)
    return [i for i in ids if i not in bad]


