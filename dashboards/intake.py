"""
New files for the portfolio's folder: looked at on a copy first, kept only when accepted, and never over another file.
"""

from __future__ import annotations

import hashlib
import hmac
import io
import os
import re
import secrets
import tempfile
import unicodedata
import zlib
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from yieldwatch.check import SiteCheck, check_site
from yieldwatch.columns import TABLES
from yieldwatch.errors import InputError, YieldwatchError
from yieldwatch.field.read import read_site_data
from yieldwatch.portfolio.files import SUFFIXES, find_files, table_stem
from yieldwatch.portfolio.read import read_portfolio

#: Tables that grow by files; what is owned is described by hand.
GROWING = ("iv", "iv_curves", "clamp", "meter", "power", "string_current", "weather", "weather_2", "events", "prices", "load",
           "statements", "costs")
#: Largest file as it is sent, and unpacked. [bytes]
MOST_BYTES, MOST_UNPACKED = 32 * 1024 * 1024, 256 * 1024 * 1024
#: Longest name of a file. [characters]
_MOST_NAME = 80
#: With it a look is signed, so that what is kept is what was looked at; a restarted server asks for another look.
_KEY = secrets.token_bytes(32)


class Refused(InputError):
    """A file cannot be taken in; the message says why, and what to do."""


@dataclass(frozen=True)
class Offer:
    """A file that somebody offers."""

    site_id: str
    table: str
    name: str
    content: bytes


@dataclass(frozen=True)
class Look:
    """
    What would become of an offered file.

    Attributes
    ----------
    place : str
        Where it would lie, below the portfolio's folder.
    rows, used, set_aside : int
        Of the file.
    reasons : DataFrame
        line, column, value, reason of each row and value of it that is set aside.
    elsewhere : DataFrame
        file, line, reason of what would be set aside of other files because of it, such as repeats.
    before, after : SiteCheck
        The farm without and with it.
    token : str
        Proves that this was looked at.
    """

    place: str
    rows: int
    used: int
    set_aside: int
    reasons: pd.DataFrame
    elsewhere: pd.DataFrame
    before: SiteCheck
    after: SiteCheck
    token: str


def safe_name(given: str) -> str:
    """
    A file's name that no system misreads: letters, digits, point, hyphen and underscore of ASCII.

    Raises
    ------
    Refused
        If it is no table's.
    """
    last = re.split(r"[/\\]", given)[-1]
    letters = unicodedata.normalize("NFKD", last).encode("ascii", "ignore").decode()
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", letters).lstrip(".-")
    stem = table_stem(Path(name)) if name else None
    if not stem:
        raise Refused(f"This file's name does not end in {', '.join(SUFFIXES)}. Expected a table. Export it as one of these.")
    ending = name[len(stem):].lower()
    return stem[:_MOST_NAME - len(ending)].rstrip(".-") + ending


def look(root: Path, offer: Offer) -> Look:
    """
    Read the farm's data without and with the offered file, on a copy that is gone afterwards.

    Raises
    ------
    Refused
        If it cannot be taken in.
    """
    place = _place(root, offer)
    _check_size(offer)
    with tempfile.TemporaryDirectory(prefix="yieldwatch-look-") as scratch:
        copy = Path(scratch)
        _mirror(root, copy, offer.site_id)
        try:
            site = next(s for s in read_portfolio(copy).sites if s.id == offer.site_id)
            before = check_site(site, read_site_data(copy, site))
            (copy / place).parent.mkdir(parents=True, exist_ok=True)
            (copy / place).write_bytes(offer.content)
            after = check_site(site, read_site_data(copy, site))
        except YieldwatchError as err:
            raise Refused(str(err).replace(str(copy), "the folder").splitlines()) from err
    files, aside = after.data.files, after.data.set_aside
    (own,) = files[files["file"] == place].to_dict("records") or [{"rows": 0, "used": 0, "set_aside": 0}]
    mine = aside["file"] == place
    return Look(place, int(own["rows"]), int(own["used"]), int(own["set_aside"]),
                aside.loc[mine, ["line", "column", "value", "reason"]], _new(aside[~mine], before.data.set_aside), before, after,
                _token(offer, place))


def _new(aside: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """What is set aside now and was not before."""
    key = ["file", "line", "column"]
    known = pd.MultiIndex.from_frame(before[key].astype(str))
    return aside.loc[~pd.MultiIndex.from_frame(aside[key].astype(str)).isin(known), ["file", "line", "reason"]]


def keep(root: Path, offer: Offer, token: str) -> str:
    """
    Write the file to its place, and return the place.

    Raises
    ------
    Refused
        If it was not looked at, or something lies there by now.
    """
    place = _place(root, offer)
    if not hmac.compare_digest(token, _token(offer, place)):
        raise Refused("This is not the file that was looked at. Choose it again, and look at what would be read of it.")
    target = root / place
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(prefix=".incoming-", dir=target.parent) as file:
            file.write(offer.content)
            file.flush()
            os.fsync(file.fileno())
            # A link is made only where nothing lies: no other file can be lost, whoever writes at the same time.
            os.link(file.name, target)
        target.chmod(0o644)
    except FileExistsError:
        raise Refused(_taken(place)) from None
    except OSError as err:
        raise Refused(f"{place}: cannot be written ({err.strerror}). Nothing is kept. Ask whoever keeps the folder.") from None
    return place


def _place(root: Path, offer: Offer) -> str:
    """Where the file would lie: in the folder of its table."""
    if offer.table not in GROWING or not re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._-]*", offer.site_id):
        raise Refused("No such farm or table. Choose one of those offered.")
    folder = TABLES[offer.table].place.format(site=offer.site_id)
    site = root / "sites" / offer.site_id
    if not site.is_dir() or not (root / folder).resolve().is_relative_to(root.resolve()):
        raise Refused("No such farm in the portfolio's folder. Choose one of those offered.")
    if not (root / folder).is_dir() and (found := find_files(root, folder)[0]):
        file = found[0].relative_to(root).as_posix()
        raise Refused(f"{file} is one file, and a second one beside it would stand for the same table. Expected a folder "
                      f"{folder}. Make it, move the file into it, and offer this one again.")
    place = f"{folder}/{safe_name(offer.name)}"
    if (root / place).exists() or (root / place).is_symlink():
        raise Refused(_taken(place))
    return place


def _taken(place: str) -> str:
    return f"{place} is there already, and nothing is written over. Give this file another name, and offer it again."


def _check_size(offer: Offer) -> None:
    """Refuse what is too large, unpacked too: a small file can hold a very large one."""
    size = len(offer.content)
    name = safe_name(offer.name)
    if size <= MOST_BYTES and name.endswith(".gz"):
        try:
            size = _unpacked(offer.content)
        except zlib.error as err:
            raise Refused(f"{name}: is not what its ending says ({err}). Export it again.") from None
    elif size <= MOST_BYTES and name.endswith(".parquet"):
        try:
            about = pq.ParquetFile(io.BytesIO(offer.content)).metadata
            size = sum(about.row_group(k).total_byte_size for k in range(about.num_row_groups))
        except (pa.ArrowException, OSError) as err:
            raise Refused(f"{name}: is not what its ending says ({str(err).splitlines()[0]}). Export it again.") from None
    if not offer.content or len(offer.content) > MOST_BYTES or size > MOST_UNPACKED:
        raise Refused(f"{name}: {max(size, len(offer.content)):,} bytes. Expected 1 to {MOST_BYTES:,}, and {MOST_UNPACKED:,} "
                      "unpacked. Split it.")


def _unpacked(content: bytes) -> int:
    """Size of a gzipped file's content, counted no further than is allowed. [bytes]"""
    size = 0
    while content and size <= MOST_UNPACKED:
        unpacker = zlib.decompressobj(wbits=31)
        while not unpacker.eof and size <= MOST_UNPACKED:
            part = unpacker.decompress(content, 2**20)
            content = unpacker.unconsumed_tail
            if not part and not content:
                break
            size += len(part)
        content = unpacker.unused_data
    return size


def _mirror(root: Path, copy: Path, site_id: str) -> None:
    """The portfolio with one farm alone, by links to its files."""
    for path in root.iterdir():
        if path.is_file() and not path.name.startswith("."):
            (copy / path.name).symlink_to(path.resolve())
    site = root / "sites" / site_id
    for path in site.rglob("*"):
        target = copy / path.relative_to(root)
        if path.is_dir():
            target.mkdir(parents=True, exist_ok=True)
        elif path.is_file():
            target.parent.mkdir(parents=True, exist_ok=True)
            target.symlink_to(path.resolve())


def _token(offer: Offer, place: str) -> str:
    return hmac.new(_KEY, place.encode() + b"\0" + hashlib.sha256(offer.content).digest(), "sha256").hexdigest()
