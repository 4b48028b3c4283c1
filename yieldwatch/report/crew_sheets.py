"""
Crew sheets: what a crew takes to the site, a page a visit where it goes on one, with boxes to fill in.

No money stands on them: they leave the house.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd
from markupsafe import Markup

from yieldwatch.action.cautions import cautions_of
from yieldwatch.action.methods import BOXES, Method, look_first, method
from yieldwatch.constants import FAULT_FINDINGS, LOOKS
from yieldwatch.portfolio.model import Inverter, Site, String
from yieldwatch.report import jobs, words
from yieldwatch.report.blocks import Grid
from yieldwatch.report.bring import Brought, glass_m2, to_bring
from yieldwatch.report.finding_words import FINDING_WORDS
from yieldwatch.report.job_photos import JobPhotos, SheetPhoto
from yieldwatch.report.page import environment
from yieldwatch.report.pdf import pdf
from yieldwatch.report.planned import Planned, PlannedSite
from yieldwatch.report.readings_first import with_readings
from yieldwatch.report.site_papers import SheetDrawing, not_held, sheet_drawings, where_rows
from yieldwatch.report.site_sketch import place_in_row, site_sketch
from yieldwatch.report.visits import Visit, VisitJob, days_off_words, planned_visits, visit_effort
from yieldwatch.report.words import number

#: Work for which what casts shade is told.
_OF_PLANTS = ("cut_vegetation", LOOKS["shading"])
_NO_PARTS = Grid("", (), ())
#: What is done with four like strings to see the dirt on them.
_SIDE_BY_SIDE = ("wash:", "leave as it is:", "wash:", "leave as it is:")
#: Rows of what casts shade on a sheet, most costly first, and distances for which the height to cut is said. [m]
_MOST_EDGES, _AWAY_M = 10, (5, 10, 20)
_POINTS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


@dataclass(frozen=True)
class JobSheet:
    """
    A job of a sheet.

    `first` is what must come before it; `as_job` is the number of an earlier job of the visit that is done in the same way, and
    so states the outline for both; `routes` are where cables run and inverters stand; `rows` what is read, `times` when, `boxes`
    the readings; `shade` what casts it, on a cut; `bring` parts by number; `serials` the heads of the list of serial numbers;
    `photos` the newest in the job book, `more_photos` how many older ones it has.
    """

    title: str
    book: str
    first: str
    why: str
    look_first: tuple[str, ...]
    method: Method
    as_job: str
    parts: Grid
    routes: tuple[str, ...]
    shade: Grid | None
    bring: tuple[Brought, ...]
    photos: tuple[SheetPhoto, ...]
    more_photos: int
    rows: tuple[str, ...]
    times: tuple[str, ...]
    boxes: tuple[tuple[str, str], ...]
    serials: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A visit as the page shows it; `kit` is what its jobs ask for beside the parts that each counts."""

    id: str
    site: str
    when: str
    crew: str
    effort: str
    safety: bool
    off: str
    where: tuple[tuple[str, str], ...]
    not_held: str
    layout: Markup
    kit: tuple[str, ...]
    cautions: tuple[str, ...]
    jobs: tuple[JobSheet, ...]
    drawings: tuple[SheetDrawing, ...]


def crew_sheets_pdf(assessment: Planned, photos: JobPhotos | None = None) -> bytes:
    """
    Return the sheets of `assessment.plan` as PDF, A4; raises as `pdf.pdf`.

    The same plan and photos give the same bytes. A changed plan is given by `dataclasses.replace`.
    """
    return pdf(crew_sheets_html(assessment, photos))


def crew_sheets_html(assessment: Planned, photos: JobPhotos | None = None) -> str:
    """Return the same as the HTML from which it is made; all text is escaped."""
    return environment().get_template("crew_sheets.html").render(
        name=words.plain(assessment.portfolio.name), as_of=words.last_read(assessment.as_of),
        sheets=[_sheet(visit, photos or JobPhotos()) for visit in with_readings(planned_visits(assessment)) if not visit.office])


def _sheet(visit: Visit, photos: JobPhotos) -> Sheet:
    site = visit.site.site
    drawings = sheet_drawings(photos.folder, site, visit.crew)
    aimed = {name for job in visit.jobs for name in _aimed(visit, job)}
    missing = not_held(site, visit.crew, [s for s in site.strings if s.string_id in aimed],
                       [i for i in site.inverters if i.inverter_id in aimed], drawings)
    return Sheet(
        id=visit.id, site=words.plain(site.name), when=f"{words.day(visit.start)} to {words.day(visit.end)}", crew=visit.crew,
        effort=visit_effort(visit), safety=visit.safety,
        off=days_off_words(visit), where=where_rows(site), not_held=words.listed(missing),
        layout=site_sketch(site.strings, aimed, site.inverters),
        kit=tuple(dict.fromkeys(item for j in visit.jobs for item in method(j.kind, j.cause).bring)),
        cautions=cautions_of([j.work for j in visit.jobs]),
        jobs=tuple(_job(visit, place, job, photos) for place, job in enumerate(visit.jobs, 1)), drawings=drawings)


def _aimed(visit: Visit, job: VisitJob) -> tuple[str, ...]:
    """
    Inverters and strings that a job is for.

    Of a whole site all strings; on a cut those from which the shade is seen, on a look at dirt those that are held side by side.
    """
    if job.scope != ("site",):
        return job.scope
    if job.work == LOOKS["soiling"] and (four := _witnesses(visit.site)):
        return four
    strings = visit.site.site.strings
    seen = _seen(visit.site.gap.obstacles, job) if job.work in _OF_PLANTS else pd.DataFrame()
    stands = {_toward(visit.site.site, str(o["inverter_id"]), _middle(o)) for o in seen.to_dict("records")}
    found = tuple(s.string_id for s in strings if s in stands)
    return found or tuple(s.string_id for s in strings)


def _job(visit: Visit, place: int, job: VisitJob, photos: JobPhotos) -> JobSheet:
    site = visit.site.site
    what = words.job_word(job.kind, job.cause) + words.looked_for(job.kind, job.cause)
    first = next(n for n, other in enumerate(visit.jobs, 1) if other.work == job.work)
    turn = f" ({job.turn})" if job.turn else ""
    aimed = _aimed(visit, job) if job.work == LOOKS["soiling"] else job.scope
    strings = [s for s in site.strings if s.string_id in aimed]
    inverters = [i for i in site.inverters if i.inverter_id in job.scope]
    findings = visit.site.gap.string_findings.set_index("string_id") if strings else pd.DataFrame()
    shown = [str(findings["finding"].get(s.string_id)) for s in strings]
    shade = _shade(site, visit.site.gap.obstacles, job) if job.work in _OF_PLANTS else None
    rows, boxes, times = _readings(visit, job, strings, inverters, shade)
    shown_photos, more = photos.of(int(ref)) if pd.notna(ref := jobs.figure(job.listed, "job_ref")) else ((), 0)
    return JobSheet(
        title=f"{place}. {what[:1].upper()}{what[1:]}{turn}: {_scope(job)}", book=jobs.in_book(job.listed), first=job.first,
        why=_without_money(jobs.said(job.listed, "why")),
        look_first=look_first(shown) if job.kind == "repair_string" else (),
        method=method(job.kind, job.cause), as_job=str(first) if first < place else "",
        parts=_NO_PARTS if job.work == LOOKS["shading"] else _parts(site, strings, inverters, findings),
        routes=_routes(site, strings, inverters),
        shade=shade if job.kind == "cut_vegetation" else None,
        bring=to_bring(site, job.work, strings, inverters, jobs.figure(job.listed, "modules_to_replace")),
        photos=shown_photos, more_photos=more, rows=rows, times=times, boxes=boxes,
        serials=("Part", "Where", "Serial taken out", "Serial put in"))


def _without_money(why: str) -> str:
    """The reason for a job without what it says of money, which stays in the house."""
    sentences = ("; ".join(part for part in sentence.split("; ") if "money" not in part) for sentence in why.split(". "))
    said = ". ".join(sentence for sentence in sentences if sentence)
    return said if said.endswith(".") or not said else f"{said}."


def _routes(site: Site, strings: Sequence[String], inverters: Sequence[Inverter]) -> tuple[str, ...]:
    """Where inverters of the job stand, and where its strings' cables run, as far as that is on record."""
    of = {s.inverter_id for s in strings} | {i.inverter_id for i in inverters}
    stands = [f"{i.inverter_id} stands: {words.plain(i.place)}" for i in site.inverters if i.place and i.inverter_id in of]
    routes = (f"Cables of {s.string_id}: {words.plain(s.cable_route)}" for s in strings if s.cable_route)
    return (*stands, *routes, *_torques(site, strings, of))


def _torques(site: Site, strings: Sequence[String], of: set[str]) -> tuple[str, ...]:
    """What terminals and clamps are tightened to, by type; the maker's instructions come before it."""
    said = []
    for kind in dict.fromkeys(i.inverter_type for i in site.inverters if i.inverter_id in of):
        terminals = (("DC terminals", kind.dc_torque_nm), ("AC terminals", kind.ac_torque_nm))
        held = [f"{what} {torque:g} Nm" for what, torque in terminals if torque is not None]
        said += [f"{words.plain(kind.inverter_type)}: {', '.join(held)}"] if held else []
    for module in dict.fromkeys(s.module_type for s in strings):
        said += ([] if module.clamp_torque_nm is None
                 else [f"module clamps of {words.plain(module.module_type)} {module.clamp_torque_nm:g} Nm"])
    return (f"Torque on record: {'; '.join(said)}",) if said else ()


def _scope(job: VisitJob) -> str:
    shown = "the whole site" if job.scope == ("site",) else " ".join(job.scope[:6])
    return shown + (f" and {len(job.scope) - 6} more" if len(job.scope) > 6 else "")


def _readings(visit: Visit, job: VisitJob, strings: Sequence[String], inverters: Sequence[Inverter],
              shade: Grid | None) -> tuple[tuple[str, ...], tuple, tuple[str, ...]]:
    """What readings are taken of, a sound neighbour beside each part, which readings, and when."""
    boxes, when = method(job.kind, job.cause).boxes, ("before", "after")
    if boxes == "witness":
        names = [f" {name}" for name in _witnesses(visit.site)] or [" string no."] * 4
        return tuple(what + name for what, name in zip(_SIDE_BY_SIDE, names, strict=True)), BOXES[boxes], when
    if boxes == "plant":
        # From which row, along which bearing, how high and in which months.
        seen = [] if shade is None else [
            f"{row[1] or row[0]}: {row[2]}, top {row[3]}{f' ({row[4]})' if row[4] else ''}, {row[8]}" for row in shade.rows]
        return (*seen, "seen elsewhere:"), BOXES[boxes], ("as seen",)
    if boxes or not (strings or inverters):
        return ("the site",), BOXES["site"], when
    if strings:
        return (*(s.string_id for s in strings), "sound neighbour no."), BOXES["string"], when
    return (*(i.inverter_id for i in inverters), "sound neighbour no."), BOXES["inverter"], when


def _witnesses(planned: PlannedSite) -> tuple[str, ...]:
    """Four like strings of one inverter and row that no test found faulty, in their order; none where there are no four."""
    findings = planned.gap.string_findings
    faulty = set(findings.loc[findings["finding"].isin(FAULT_FINDINGS), "string_id"])
    alike: dict[tuple, list[str]] = {}
    for s in planned.site.strings:
        if s.string_id not in faulty:
            key = (s.inverter_id, s.array_id, s.row, s.module_type.module_type, s.modules_in_series)
            alike.setdefault(key, []).append(s.string_id)
    longest = max(alike.values(), key=len, default=[])
    return tuple(longest[:4]) if len(longest) >= len(_SIDE_BY_SIDE) else ()


def _parts(site: Site, strings: Sequence[String], inverters: Sequence[Inverter], findings: pd.DataFrame) -> Grid:
    if strings:
        heads = ("String", "Inverter, input", "Row", "Place in its row", "#East, m", "#North, m", "Modules", "#Voc, V", "#Isc, A",
                 "Last test showed")
        return Grid(
            "Voc and Isc are the datasheet's at 1000 W/m², 25 °C. Distances are from the site's own origin. A blank is not on "
            "record.",
            heads, tuple(_string_row(site, s, findings) for s in strings))
    if inverters:
        rows = tuple(
            (i.inverter_id, words.plain(i.inverter_type.inverter_type), number(i.inverter_type.ac_rated_kw, 1),
             str(sum(s.inverter_id == i.inverter_id for s in site.strings)), *_stands(site, i),
             words.plain(i.serial or ""))
            for i in inverters)
        return Grid(
            "Distances are from the site's own origin; with ≈ they are the middle of its strings. A blank is not on record.",
            ("Inverter", "Type", "#Rated AC, kW", "#Strings", "Rows", "#East, m", "#North, m", "Serial on record"), rows)
    modules = sum(s.modules_in_series for s in site.strings)
    row = (number(modules), number(len(site.strings)), number(len(site.inverters)), _known(glass_m2(site.strings), 0),
           _known(site.area_hectare, 1), _known(site.hedge_metres, 0))
    return Grid("A blank is not on record.",
                ("#Modules", "#Strings", "#Inverters", "#Glass, m²", "#Area kept cut, ha", "#Hedge, m"), (row,))


def _string_row(site: Site, string: String, findings: pd.DataFrame) -> tuple[str, ...]:
    found = findings.loc[string.string_id] if string.string_id in findings.index else None
    shown = ""
    if found is not None:
        tested = words.day(found["last_round"])
        shown = FINDING_WORDS.get(found["finding"], words.plain(found["finding"])) + (f" ({tested})" if tested else "")
    kind = string.module_type
    return (
        string.string_id, ", ".join(words.plain(t) for t in (string.inverter_id, string.mppt) if t),
        words.plain(string.row or ""), place_in_row(site.strings, string),
        _known(string.x_m, 1), _known(string.y_m, 1), f"{string.modules_in_series} × {words.plain(kind.module_type)}",
        number(string.modules_in_series * kind.v_oc_v), number(kind.i_sc_a, 1), shown)


def _stands(site: Site, inverter: Inverter) -> tuple[str, str, str]:
    """Rows of an inverter's strings, and how far east and north it stands, else their middle."""
    own = [s for s in site.strings if s.inverter_id == inverter.inverter_id]
    rows = list(dict.fromkeys(words.plain(s.row) for s in own if s.row))
    placed = [(s.x_m, s.y_m) for s in own if s.x_m is not None and s.y_m is not None]
    middle = [sum(x) / len(placed) for x in zip(*placed, strict=True)] if own and len(placed) == len(own) else [None, None]
    if inverter.x_m is not None and inverter.y_m is not None:
        east, north = _known(inverter.x_m, 0), _known(inverter.y_m, 0)
    else:
        east, north = (f"≈ {x}" if (x := _known(m, 0)) else "" for m in middle)
    return ", ".join(rows[:6]) + (f" and {len(rows) - 6} more" if len(rows) > 6 else ""), east, north


def _seen(obstacles: pd.DataFrame, job: VisitJob) -> pd.DataFrame:
    """What shades the job's scope, the most costly first, as many as a sheet holds."""
    if obstacles.empty:
        return obstacles
    seen = obstacles[obstacles["inverter_id"].isin(job.scope)] if "site" not in job.scope else obstacles
    return seen.sort_values("energy_kwh", ascending=False).head(_MOST_EDGES)


def _middle(obstacle: Mapping) -> float:
    return (float(obstacle["azimuth_from_deg"]) + float(obstacle["azimuth_to_deg"])) / 2.0


def _shade(site: Site, obstacles: pd.DataFrame, job: VisitJob) -> Grid | None:
    """
    What to cut: where it stands as seen from each shaded inverter's strings, and how high it may be left by its distance.

    Tops are heights above the string, d tan(angle). A row with an edge that the sun does not rise above is a least height.
    """
    seen = _seen(obstacles, job)
    if seen.empty:
        return None
    rows = []
    for o in seen.to_dict("records"):
        middle = _middle(o)
        least = pd.isna(o["height_high_deg"])
        top = f"{'from ' if least else ''}{number(o['height_deg'])}°"
        bounds = "" if least else f"{number(o['height_low_deg'])} to {number(o['height_high_deg'])}"
        rise = math.tan(math.radians(float(o["height_deg"])))
        rows.append((words.plain(o["inverter_id"]), _rows_toward(site, str(o["inverter_id"]), middle),
                     f"{number(o['azimuth_from_deg'])} to {number(o['azimuth_to_deg'])}° ({_compass(middle)})", top, bounds,
                     *(number(rise * d, 1) for d in _AWAY_M), words.months_in_words(o["months"]), number(o["energy_kwh"])))
    lower = [a.lower_edge_m for a in site.arrays if a.lower_edge_m is not None]
    glass = (f" Lowest glass edge on record: {number(min(lower), 1)} m." if lower
             else " The lowest glass edge is not on record: measure it.")
    return Grid(
        "Stand at the row named, look along the bearing (from true north): what rises above the angle shades. The metres are how "
        "far its top stands above the glass now, if it is that far away: cut off so much at most, or as the owner agreed. "
        "Pace or tape the distance first; a wall, mast or building is reported, not touched." + glass,
        ("Seen from", "Rows on that side", "Bearing", "#Top", "#90 %", *(f"#at {d} m" for d in _AWAY_M), "Months", "#kWh lost"),
        tuple(rows))


def _rows_toward(site: Site, inverter_id: str, bearing_deg: float) -> str:
    """The row and name of that string; empty where positions are not on record."""
    string = _toward(site, inverter_id, bearing_deg)
    return "" if string is None else words.plain(f"{string.row}, {string.string_id}" if string.row else string.string_id)


def _toward(site: Site, inverter_id: str, bearing_deg: float) -> String | None:
    """The inverter's string that stands farthest toward a bearing; None where positions are not on record."""
    own = [(s, s.x_m, s.y_m) for s in site.strings if s.inverter_id == inverter_id and s.x_m is not None and s.y_m is not None]
    east, north = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
    return max(own, key=lambda o: o[1] * east + o[2] * north)[0] if own else None


def _compass(bearing_deg: float) -> str:
    return _POINTS[round(bearing_deg / 22.5) % 16]


def _known(value: float | None, decimals: int) -> str:
    return "" if value is None or math.isnan(value) else number(value, decimals)
