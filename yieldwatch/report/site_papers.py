"""
What a crew must know of a site before it goes: the way there, whom to call, drawings, and what the portfolio does not hold.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pypdfium2

from yieldwatch.book.photos import MOST_BYTES, clean_photo
from yieldwatch.errors import BookError
from yieldwatch.portfolio import keys
from yieldwatch.portfolio.drawings import PAGES, drawing_file
from yieldwatch.portfolio.model import Drawing, Inverter, Site, String
from yieldwatch.report import words

#: Longest side of a drawing on a sheet [pixels]: 190 dots an inch along A4.
_LONGEST = 2200
#: Pages of one PDF that a sheet shows; a whole set of drawings is sent along as a file.
_MOST_PAGES = 4
DRAWN_WORDS = {"cable_plan": "cable plan", "single_line": "single-line diagram", "layout": "layout",
               "road_map": "map of the way there", "other": "drawing"}
#: Drawings that a crew takes along; those who switch and disconnect take all.
_ELECTRICAL = "electrical"
_TAKES = {"cleaning": ("layout", "road_map", "other"), "vegetation": ("cable_plan", "layout", "road_map", "other")}


@dataclass(frozen=True)
class SheetDrawing:
    """A drawing as a sheet shows it: `pictures` are data addresses of its pages, with whether each lies across."""

    title: str
    said: str
    pictures: tuple[tuple[str, bool], ...]
    wrong: str = ""


def where_rows(site: Site) -> tuple[tuple[str, str], ...]:
    """What is on record of the way there and of the place, by label."""
    gate = ("" if site.gate_latitude is None or site.gate_longitude is None
            else words.place(site.gate_latitude, site.gate_longitude))
    rows = (("Address", site.address), ("Way there", site.directions), ("Gate", gate),
            ("Position", words.place(site.latitude, site.longitude)),
            ("Access", site.access), ("Contact", site.contact), ("Emergency", site.emergency), ("To switch off", site.isolation),
            ("Cables", f"{site.cables.rstrip('.')}. Locate and mark them first" if site.cables else "locate and mark them first"))
    return tuple((label, words.plain(text)) for label, text in rows if text)


def not_held(site: Site, crew: str, strings: Sequence[String], inverters: Sequence[Inverter],
             drawings: Sequence[SheetDrawing]) -> tuple[str, ...]:
    """What the portfolio does not hold of all that this crew needs, in words; `strings` and `inverters` are those of its jobs."""
    drawn = {d.title for d in drawings if not d.wrong}
    stand = {s.inverter_id for s in strings} | {i.inverter_id for i in inverters}
    wanted = {
        "address": site.address, "road directions": site.directions or DRAWN_WORDS["road_map"] in drawn,
        "position of the gate": site.gate_latitude is not None, "how to get in": site.access, "contact for the day": site.contact,
        "whom to call in an emergency": site.emergency}
    if "cable_plan" in _takes(crew):
        wanted["cable plan"] = DRAWN_WORDS["cable_plan"] in drawn
    if crew == _ELECTRICAL:
        near = [i for i in site.inverters if i.inverter_id in stand]
        wanted |= {
            "where the plant is switched off": site.isolation, "single-line diagram": DRAWN_WORDS["single_line"] in drawn,
            "cable routes of these strings": all(s.cable_route for s in strings),
            "where these inverters stand": all(i.place for i in near),
            "fuse ratings of these strings": all(s.fuse_a for s in strings),
            "tightening torques": bool(near) and all(i.inverter_type.dc_torque_nm and i.inverter_type.ac_torque_nm for i in near)}
    return tuple(what for what, held in wanted.items() if not held)


def sheet_drawings(folder: Path | None, site: Site, crew: str) -> tuple[SheetDrawing, ...]:
    """
    The drawings that this crew takes along, with their pictures; one that cannot be shown is said, and stops nothing.

    `folder` is the portfolio's; without it no file is looked at.
    """
    return tuple(_shown(folder, d) for d in site.drawings if d.shows in _takes(crew))


def _takes(crew: str) -> tuple[str, ...]:
    return _TAKES.get(crew, keys.DRAWN)


def _shown(folder: Path | None, drawing: Drawing) -> SheetDrawing:
    title = DRAWN_WORDS[drawing.shows]
    true_to = f"true up to {words.day(drawing.as_of)}" if drawing.as_of else "its date is not on record"
    facts = (words.plain(drawing.file), true_to, words.plain(drawing.note or ""))
    said = "; ".join(fact for fact in facts if fact)
    path = None if folder is None else drawing_file(folder, drawing.file)
    if path is None:
        return SheetDrawing(title, said, (), "is not there")
    try:
        found, left = _pages(path) if path.suffix.lower() in PAGES else ([_picture(path.read_bytes())], 0)
    except (BookError, OSError, ValueError, pypdfium2.PdfiumError):
        return SheetDrawing(title, said, (), "cannot be shown on paper")
    more = f"; {words.count(left, 'more page')} in the file" if left else ""
    return SheetDrawing(title, said + more, tuple(found))


def _pages(path: Path) -> tuple[list[tuple[str, bool]], int]:
    """A PDF's first pages as pictures, which carry none of its scripts, links and attachments, and how many are left."""
    if path.stat().st_size > MOST_BYTES:
        raise ValueError("too large")
    with pypdfium2.PdfDocument(path.read_bytes()) as document:
        found = []
        for number in range(min(len(document), _MOST_PAGES)):
            page, target = document[number], io.BytesIO()
            page.render(scale=_LONGEST / max(page.get_size())).to_pil().convert("RGB").save(target, "PNG")
            found.append(_picture(target.getvalue()))
        return found, max(len(document) - _MOST_PAGES, 0)


def _picture(content: bytes) -> tuple[str, bool]:
    clean = clean_photo(content, _LONGEST)
    return f"data:image/jpeg;base64,{base64.b64encode(clean.content).decode()}", clean.size[0] > clean.size[1]
