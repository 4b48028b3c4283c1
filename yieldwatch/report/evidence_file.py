"""
`evidence.json`: why each cause has its size, written beside the tables and read back.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from yieldwatch.assess import Assessment
from yieldwatch.errors import InputError
from yieldwatch.gap.why import Figure, Reading, Rival, Turn, Why

EVIDENCE_FILE = "evidence.json"
FORMAT = 1
#: Decimals of every figure that is written, as in the tables.
_DECIMALS = 6
_PARTS: dict[str, type] = {"readings": Reading, "figures": Figure, "rivals": Rival, "turns": Turn}


@dataclass(frozen=True)
class SiteEvidence:
    """A site's records as read back from `evidence.json`, by cause."""

    site_id: str
    name: str
    causes: dict[str, Why]


def write_evidence(assessment: Assessment, path: Path) -> None:
    """Write the evidence of every site; an existing file is replaced."""
    text = json.dumps(evidence_document(assessment), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def evidence_document(assessment: Assessment) -> dict[str, Any]:
    """The evidence of every site as `evidence.json` holds it."""
    return _plain({
        "format": FORMAT,
        "portfolio": assessment.portfolio.name,
        "as_of": assessment.as_of,
        "sites": [
            {"site_id": s.site.id, "name": s.site.name, "causes": [asdict(why) for why in s.gap.evidence]}
            for s in assessment.sites
        ],
    })


def _plain(value: Any) -> Any:
    """What JSON can hold: dates as text, unknown numbers as null."""
    if isinstance(value, dict):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, bool | str | int) or value is None:
        return value
    return round(float(value), _DECIMALS) if math.isfinite(value) else None


def read_evidence(folder: Path) -> dict[str, SiteEvidence]:
    """
    Read the evidence of a finished assessment.

    Parameters
    ----------
    folder : Path
        Where `yieldwatch assess` wrote.

    Returns
    -------
    dict of str to SiteEvidence
        By site.

    Raises
    ------
    InputError
        If there is no such file, or it is not what `yieldwatch assess` writes.
    """
    path = folder / EVIDENCE_FILE
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(
            f"{path}: not there. Expected the folder of a finished assessment. Run yieldwatch assess PORTFOLIO --out {folder} "
            "first."
        ) from None
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as err:
        raise InputError(f"{path}: cannot be read ({err}). Expected what yieldwatch assess writes. Run it again.") from err
    version = document.get("format") if isinstance(document, dict) else None
    if version != FORMAT:
        raise InputError(f"{path}: format = {version}, not known. Expected {FORMAT}. Run yieldwatch assess again.")
    try:
        return {s["site_id"]: _site(s) for s in document["sites"]}
    except (KeyError, TypeError, ValueError, AttributeError) as err:
        raise InputError(f"{path}: not what yieldwatch assess writes ({err!r}). Run it again.") from err


def _site(raw: dict[str, Any]) -> SiteEvidence:
    causes = [_why(cause) for cause in raw["causes"]]
    return SiteEvidence(str(raw["site_id"]), str(raw["name"]), {why.cause: why for why in causes})


def _why(raw: dict[str, Any]) -> Why:
    own = {f.name: raw[f.name] for f in fields(Why)}
    for name, kind in _PARTS.items():
        own[name] = tuple(_part(kind, part) for part in own[name])
    for name in ("energy_kwh", "low_kwh", "high_kwh", "share"):
        own[name] = math.nan if own[name] is None else float(own[name])
    return Why(**own)


def _part(kind: type, raw: dict[str, Any]) -> Any:
    own = {f.name: raw[f.name] for f in fields(kind)}
    if kind is Reading:
        own |= {end: own[end] and dt.date.fromisoformat(own[end]) for end in ("first", "last")}
    if kind is Figure and own["value"] is None:
        own["value"] = math.nan
    return kind(**own)
