"""
Readings before and after the work, held against each other: typed in, or read from a file after a look at what would be kept.
"""

from __future__ import annotations

import base64
import binascii
import csv
import datetime as dt
import io
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import flask
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboards.parts.tables import Column, grid
from dashboards.parts.words import aria
from dashboards.people import current_person
from dashboards.store import Store
from dashboards.visit import ANALYST, OWNER, PLANNER, Person, Place
from yieldwatch.book.against import Pair, pairs
from yieldwatch.book.evidence import AFTER, BEFORE, PHOTO, READABLE, check_parts, checked_readings, is_neighbour, moment
from yieldwatch.book.facts import Evidence, Job
from yieldwatch.book.keep import Reading
from yieldwatch.errors import BookError
from yieldwatch.report.job_lists import NEIGHBOUR
from yieldwatch.report.words import count, per_cent, plain

ROLES = frozenset({PLANNER, ANALYST, OWNER})
#: What can be typed in, in the order of a crew sheet's boxes; a file may hold any of `READABLE`.
TYPED = {
    "poa_global_w_m2": "Light [W/m²]", "temp_module_c": "Module [°C]", "v_oc_v": "Voc [V]", "i_sc_a": "Isc [A]",
    "p_mp_w": "Pmp [W]", "dc_voltage_v": "DC [V]", "dc_current_a": "DC [A]", "ac_power_kw": "AC [kW]",
    "insulation_mohm": "Insulation [MΩ]",
}
#: Columns of a file beside the readings.
_ABOUT = ("kind", "part", "at", "note")
#: Largest file, and most rows in one. [bytes]
MOST_BYTES, MOST_ROWS = 256 * 1024, 200


@dataclass(frozen=True)
class Row:
    """A row of a file: what would be kept, or why it is set aside; a neighbour's is kept as such."""

    line: int
    kind: str
    part: str
    at: dt.datetime | None
    note: str
    readings: dict[str, float]
    wrong: str = ""
    neighbour: bool = False


def parts_of(store: Store, job: Job) -> dict[str, str]:
    """Every string and inverter of the job's farm, and the inverter that it is of; empty for a farm of no assessment."""
    drawn = store.picture(job.site_id, "string_layout")
    strings = {} if drawn is None else dict(zip(drawn.columns["string_id"], drawn.columns["inverter_id"], strict=True))
    return strings | {inverter: inverter for inverter in strings.values()}


def evidence_part(evidence: Sequence[Evidence], job: Job, person: Person, parts: Mapping[str, str], said: Any = "") -> list:
    """What was measured before and after, and the forms to add to it; all that a save renews. `parts` as of `parts_of`."""
    beside = {e.part or "" for e in evidence if is_neighbour(job, e.part, parts)}
    found, may = [e for e in evidence if e.kind != PHOTO], person.may(ROLES)
    shown: list = [
        html.H2("Before and after"),
        html.Div(said, id="readings-said", role="status", **aria(live="polite")),
        *_against(pairs(found), beside),
        _table(found, may, beside) if found else html.P(
            "No reading yet. Without a reading before the work its effect can hardly be told."),
    ]
    if not may:
        return shown
    return [*shown, html.Details([html.Summary("Type in readings"), *_typing(job)]),
            html.Details([html.Summary("Read them from a file"), *_uploading()])]


def part_words(part: str, beside: Collection[str]) -> str:
    """A part's name, and whether it is a neighbour of the job's own."""
    return plain(part) + (f" ({NEIGHBOUR})" if part in beside else "")


def _against(found: Sequence[Pair], beside: Collection[str]) -> list:
    if not found:
        return []
    columns = [
        Column("part", "Part", lambda r: part_words(r.part, beside) or "not named"),
        Column("name", "Reading", lambda r: _reading_word(r.name)),
        Column("before", "Before", lambda r: _value(r.before, r.name), number=True),
        Column("after", "After", lambda r: _value(r.after, r.name), number=True),
        Column("change", "Change, 90 % interval", _change, number=True),
    ]
    return [grid(columns, found, "The last reading before the work against the first after it. The change is like for "
                 "like: what follows the light is brought to 1000 W/m², and to 25 °C where the module's temperature was read"),
            html.P("This is a look at two readings. What the job won back is proven by the next assessment, from the rounds and "
                   "logs in the farm's folder.", className="quiet")]


def _value(found: Evidence, name: str) -> str:
    return f"{found.readings[name]:,g} {READABLE[name].unit}"


def _change(pair: Pair) -> str:
    if pair.why_not:
        return pair.why_not
    return f"{'+' if pair.change > 0 else ''}{per_cent(pair.change)} ({per_cent(pair.low)} to {per_cent(pair.high)})"


def _reading_word(name: str) -> str:
    return TYPED[name].partition(" [")[0] if name in TYPED else name


def _table(found: Sequence[Evidence], may: bool, beside: Collection[str]) -> html.Div:
    columns = [
        Column("kind", "When", lambda r: f"{r.kind}{' (taken back)' if r.withdrawn else ''}"),
        Column("part", "Part", lambda r: part_words(r.part or "", beside)),
        Column("at", "Taken [UTC]", lambda r: f"{r.at:%Y-%m-%d %H:%M}" if r.at else ""),
        Column("readings", "Readings", lambda r: "; ".join(
            f"{_reading_word(n)} {_value(r, n)}" for n in r.readings if n in READABLE)),
        Column("note", "Note", lambda r: plain(r.note or "")),
        Column("added_by", "Added by", lambda r: plain(r.added_by)),
        *([Column("number", "Entered by mistake", lambda r: None if r.withdrawn else take_back(r, "reading"))] if may else []),
    ]
    return grid(columns, found, "Readings before and after the work")


def take_back(found: Evidence, what: str) -> html.Button:
    """The button that withdraws one reading or photo; it stays in the book and no longer counts."""
    return html.Button("Take it back", id={"type": f"{what}-back", "number": found.number}, n_clicks=0,
                       **aria(label=f"Take back {what} {found.number}"))


def _typing(job: Job) -> list:
    first = next(iter(sorted(job.parts - {"site"})), "")
    boxes = [html.Label([text, dcc.Input(id={"type": "reading", "name": name}, type="text", maxLength=20, autoComplete="off")])
             for name, text in TYPED.items()]
    about = [
        html.Label(["String or inverter", dcc.Input(id={"type": "reading", "name": "part"}, type="text", value=first,
                                                    maxLength=100, autoComplete="off")]),
        html.Label(["Taken at, with its offset from UTC", dcc.Input(
            id={"type": "reading", "name": "at"}, type="text", maxLength=30, placeholder="2025-06-30T13:45+01:00",
            autoComplete="off")]),
        html.Label(["Note", dcc.Input(id={"type": "reading", "name": "note"}, type="text", maxLength=500, autoComplete="off")]),
    ]
    return [
        html.P("A sound neighbour may be read beside the job's own parts. It is kept as a neighbour.", className="quiet"),
        html.Div([*about, *boxes], className="fields"),
        html.Div([html.Button(f"Add as {kind} the work", id={"type": "readings-add", "kind": kind}, n_clicks=0)
                  for kind in (BEFORE, AFTER)], className="buttons"),
    ]


def _uploading() -> list:
    return [
        html.P(f"A CSV file in UTF-8 with a header row: kind (before or after), part, at, note, and any of "
               f"{', '.join(READABLE)}. At most {MOST_ROWS} rows. You see what would be kept, and what not and why, before "
               "anything is kept.", className="quiet"),
        dcc.Upload(html.Button("Choose a file of readings"), id="readings-file", accept=".csv", max_size=MOST_BYTES),
        html.Div(id="readings-preview", **aria(live="polite")),
    ]


def read_rows(content: bytes, job: Job, parts: Mapping[str, str]) -> list[Row]:
    """
    Read a file of readings of a job; `parts` as of `parts_of`.

    Raises
    ------
    BookError
        If it is no such file at all; single rows that cannot be kept say why.
    """
    if len(content) > MOST_BYTES:
        raise BookError(f"The file has {len(content):,} bytes. Expected {MOST_BYTES:,} at most. Split it.")
    try:
        text = content.decode("utf-8-sig")
        reader = csv.DictReader(io.StringIO(text, newline=""), strict=True, restkey="")
        names = [n.strip() for n in reader.fieldnames or []]
        rows = list(reader)
    except (UnicodeDecodeError, csv.Error) as err:
        raise BookError(f"The file is not a CSV file in UTF-8 ({plain(err)}). Save it again as one.") from None
    strange = [n for n in names if n not in READABLE and n not in _ABOUT]
    if "kind" not in names or strange or len(set(names)) < len(names):
        found = f"not known: {', '.join(map(plain, strange))[:200]}" if strange else "kind missing, or a name twice"
        raise BookError(f"Header row: {found}. Expected kind, and any of part, at, note, {', '.join(READABLE)}, each once.")
    if not rows or len(rows) > MOST_ROWS:
        raise BookError(f"The file has {len(rows)} rows below its header. Expected 1 to {MOST_ROWS}.")
    return [_row(line, {(k or "").strip(): v for k, v in row.items() if not isinstance(v, list)}, "" in row, job, parts)
            for line, row in enumerate(rows, 2)]


def _row(line: int, cells: dict[str, str | None], too_long: bool, job: Job, parts: Mapping[str, str]) -> Row:
    texts = {name: (value or "").strip() for name, value in cells.items()}
    kind, part, note = (texts.get(n, "") for n in ("kind", "part", "note"))
    try:
        if too_long:
            raise BookError("more fields than the header has")
        if kind not in (BEFORE, AFTER):
            raise BookError(f'kind = "{plain(kind)[:40]}". Expected before or after')
        at = moment(time_of(texts.get("at", "")), dt.datetime.now(dt.UTC))
        readings = checked_readings(_numbers({n: t for n, t in texts.items() if n in READABLE and t}))
        check_parts(job, [part], parts)
    except BookError as err:
        return Row(line, kind, part, None, note, {}, " ".join(err.problems))
    return Row(line, kind, part, at, note, readings, neighbour=is_neighbour(job, part, parts))


def time_of(text: str) -> dt.datetime | None:
    """A moment as people type it, None if blank."""
    try:
        return dt.datetime.fromisoformat(text) if text else None
    except ValueError:
        raise BookError(f'at = "{plain(text)[:40]}", not a time. Expected one such as 2025-06-30T13:45+01:00. '
                        "Write it so.") from None


def _numbers(texts: dict[str, str]) -> dict[str, float]:
    out = {}
    for name, text in texts.items():
        try:
            out[name] = float(text)
        except ValueError:
            raise BookError(f'{name} = "{plain(text)[:40]}", not a number. Expected a number with a point.') from None
    return out


def content_of(upload: str | None, most: int) -> bytes:
    """
    The bytes of a file that the browser sent as a data address.

    Raises
    ------
    BookError
    """
    try:
        content = base64.b64decode((upload or "").partition(",")[2], validate=True)
    except (binascii.Error, ValueError):
        raise BookError("The file did not come through whole. Choose it again.") from None
    if not content or len(content) > most:
        raise BookError(f"The file has {len(content):,} bytes. Expected 1 to {most:,}.")
    return content


def _becomes(row: Row) -> str:
    if row.wrong:
        return f"set aside: {row.wrong}"
    return f"kept, as of {NEIGHBOUR}" if row.neighbour else "kept"


def _preview(rows: list[Row]) -> list:
    good, bad = [r for r in rows if not r.wrong], [r for r in rows if r.wrong]
    columns = [
        Column("line", "Line", lambda r: str(r["r"].line), number=True), Column("kind", "When", lambda r: plain(r["r"].kind)),
        Column("part", "Part", lambda r: plain(r["r"].part)),
        Column("readings", "Readings", lambda r: "; ".join(f"{n} {v:g}" for n, v in r["r"].readings.items())),
        Column("wrong", "What becomes of it", lambda r: _becomes(r["r"])),
    ]
    parts: list = [html.P(f"{count(len(good), 'row')} would be kept, {len(bad)} set aside. Nothing is kept yet."),
                   grid(columns, [{"r": r} for r in rows], "What would be kept of the file, and what not and why")]
    if good:
        parts.append(html.Div([html.Button(f"Keep {count(len(good), 'row')}", id={"type": "readings-keep", "n": len(good)}),
                               html.Button("Keep none", id={"type": "readings-drop", "n": 0})], className="buttons"))
    return parts


def allowed() -> Person:
    """The person who asks, if their role may add evidence; else the request is refused."""
    person = current_person()
    if not person.may(ROLES):
        flask.abort(403)
    return person


def _renewed(place: Place, ref: int, person: Person, said: Any) -> list:
    book = place.jobs.book()
    job = book.job(ref)
    return evidence_part(book.evidence(ref), job, person, parts_of(place.store, job), said)


def refused(err: BookError) -> html.Div:
    """What is said where nothing was written."""
    return html.Div([html.Strong("Nothing is kept."), html.Ul([html.Li(plain(p)) for p in err.problems], className="plain")],
                    className="sorry", role="alert")


def _add(place: Place, ref: int, texts: dict[str, str]) -> tuple:
    """Keep what was typed: the renewed part of the page, or why not."""
    person = allowed()
    try:
        numbers = _numbers({n: t for n, t in texts.items() if n in READABLE and t})
        book = place.jobs.book()
        job = book.job(ref)
        parts = parts_of(place.store, job)
        kept = book.add_reading(ref, person.name, texts.get("kind", ""), numbers, time_of(texts.get("at", "")),
                                texts.get("part") or None, texts.get("note") or None, parts)
    except BookError as err:
        return no_update, refused(err)
    beside = f" {plain(kept.part)} is {NEIGHBOUR}: it is kept as such." if is_neighbour(job, kept.part, parts) else ""
    said = html.P(f"Kept as reading {kept.number}, {kept.kind} the work.{beside}", className="done")
    return _renewed(place, ref, person, said), no_update


def _keep(place: Place, ref: int, upload: str | None) -> tuple:
    """Keep the good rows of a file, all of them or none; the file is read anew, since nothing was kept of it."""
    person = allowed()
    try:
        book = place.jobs.book()
        job = book.job(ref)
        parts = parts_of(place.store, job)
        good = [r for r in read_rows(content_of(upload, MOST_BYTES), job, parts) if not r.wrong]
        book.add_readings(ref, person.name, [Reading(r.kind, r.readings, r.at, r.part, r.note) for r in good], parts)
    except BookError as err:
        return no_update, refused(err)
    return _renewed(place, ref, person, html.P(f"Kept {count(len(good), 'reading')}.", className="done")), no_update


def _withdraw(place: Place, ref: int, number: int) -> tuple:
    person = allowed()
    try:
        place.jobs.book().withdraw(ref, person.name, number)
    except BookError as err:
        return no_update, refused(err)
    said = html.P(f"Reading {number} is taken back: it stays in the book and no longer counts.", className="done")
    return _renewed(place, ref, person, said), no_update


def readings_callbacks(app: Dash, place: Place) -> None:
    """What adds readings to the job on the page."""
    @app.callback(
        Output("job-evidence", "children"), Output("readings-said", "children"),
        Input({"type": "readings-add", "kind": ALL}, "n_clicks"),
        State("job-ref", "data"), State({"type": "reading", "name": ALL}, "value"), State({"type": "reading", "name": ALL}, "id"),
        prevent_initial_call=True)
    def add(presses: list, ref: int, values: list, ids: list) -> Any:
        pressed = ctx.triggered_id
        if not pressed or not any(presses):
            return no_update, no_update
        texts = {i["name"]: str(v or "").strip() for i, v in zip(ids, values, strict=True)}
        return _add(place, int(ref), texts | {"kind": str(pressed["kind"])})

    @app.callback(Output("readings-preview", "children"), Input("readings-file", "contents"), State("job-ref", "data"),
                  prevent_initial_call=True)
    def look(upload: str | None, ref: int) -> Any:
        if not upload:
            return no_update
        allowed()
        try:
            job = place.jobs.book().job(int(ref))
            return _preview(read_rows(content_of(upload, MOST_BYTES), job, parts_of(place.store, job)))
        except BookError as err:
            return refused(err)

    @app.callback(
        Output("job-evidence", "children", allow_duplicate=True), Output("readings-preview", "children", allow_duplicate=True),
        Input({"type": "readings-keep", "n": ALL}, "n_clicks"), Input({"type": "readings-drop", "n": ALL}, "n_clicks"),
        State("readings-file", "contents"), State("job-ref", "data"), prevent_initial_call=True)
    def keep(keeps: list, drops: list, upload: str | None, ref: int) -> Any:
        pressed = ctx.triggered_id
        if not pressed or not any((*keeps, *drops)):
            return no_update, no_update
        if pressed["type"] == "readings-drop":
            return no_update, html.P("Nothing of the file is kept.", className="quiet")
        return _keep(place, int(ref), upload)

    _back_callback(app, place)


def _back_callback(app: Dash, place: Place) -> None:
    @app.callback(
        Output("job-evidence", "children", allow_duplicate=True), Output("readings-said", "children", allow_duplicate=True),
        Input({"type": "reading-back", "number": ALL}, "n_clicks"), State("job-ref", "data"), prevent_initial_call=True)
    def back(presses: list, ref: int) -> Any:
        pressed = ctx.triggered_id
        if not pressed or not any(presses):
            return no_update, no_update
        return _withdraw(place, int(ref), int(pressed["number"]))
