"""
Photos of a job: looked at before they are kept, shown with what they show in words, and handed out as pictures and nothing else.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import flask
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboards.parts.readings import allowed, content_of, part_words, parts_of, refused, take_back, time_of
from dashboards.parts.words import aria
from dashboards.visit import ROLES, Person, Place, Route, address
from yieldwatch.book.evidence import DISTANCE, PHOTO, is_neighbour
from yieldwatch.book.facts import Evidence, Job
from yieldwatch.book.photos import KINDS, MOST_BYTES, Photo, clean_photo, photo_content
from yieldwatch.errors import BookError
from yieldwatch.report.words import number, plain

#: A camera's distance from the farm's position from which on it is asked whether the photo is of this farm. [km]
_FAR = 5.0
_FIELDS = {"note": "What it shows", "part": "String or inverter", "at": "Taken at, with its offset from UTC"}


def photos_part(evidence: Sequence[Evidence], job: Job, person: Person, known: Mapping[str, str], said: Any = "") -> list:
    """The photos and the form to add one; all that a save renews. `known` as of `parts_of`."""
    found, may = [e for e in evidence if e.kind == PHOTO], person.may(frozenset(ROLES))
    shown = [e for e in found if not e.withdrawn]
    beside = {e.part or "" for e in shown if is_neighbour(job, e.part, known)}
    gone = [str(e.number) for e in found if e.withdrawn]
    parts: list = [
        html.H2("Photos"),
        html.Div(said, id="photos-said", role="status", **aria(live="polite")),
        html.Div([_figure(e, job, may, beside) for e in shown], className="photos") if shown else html.P("No photo yet."),
        *([html.P(f"Taken back, and no longer shown: photo {', '.join(gone)}.", className="quiet")] if gone else []),
    ]
    return [*parts, html.Details([html.Summary("Add a photo"), *_form()])] if may else parts


def _figure(found: Evidence, job: Job, may: bool, beside: Collection[str]) -> html.Figure:
    place = address(f"/jobs/{job.ref}/photo/{found.number}")
    note = plain(found.note or "")
    when = _when(found, job)
    distance = found.readings.get(DISTANCE)
    facts = [part_words(found.part or "", beside), when, "" if distance is None else f"camera {_km(distance)} from the farm",
             f"added by {plain(found.added_by)}"]
    name = f"Photo {found.number}"
    return html.Figure([
        html.Img(src=place, alt=note or f"{name} of the job; nobody wrote what it shows"),
        html.Figcaption([html.Strong(f"{name}: {note}" if note else name), html.Br(), "; ".join(f for f in facts if f), ". ",
                         html.A("Download", href=place, download="", **aria(label=f"Download photo {found.number}")),
                         " ", take_back(found, "photo") if may else None]),
    ])


def _km(distance: float) -> str:
    return f"{number(distance, 1 if distance < 10.0 else 0)} km"


def _when(found: Evidence, job: Job) -> str:
    if not found.at:
        return "not said when taken"
    side = ""
    if job.done_on and found.at.date() != job.done_on:
        side = ", before the work" if found.at.date() < job.done_on else ", after the work"
    return f"taken {found.at:%-d %b %Y %H:%M} UTC{side}"


def _form() -> list:
    return [
        html.P(["JPEG, PNG or WebP, up to ", f"{MOST_BYTES / 1e6:.0f}", " MB. The picture alone is kept, written anew at "
                "3,000 pixels at most; what the camera wrote into the file is left out. Of that, the time and how far the camera "
                "was from the farm stand with the photo; its exact place does not. You see the picture before it is kept."],
               className="quiet"),
        dcc.Upload(html.Button("Choose a photo, or drop it here", type="button"), id="photo-file",
                   accept=",".join(KINDS.values()), max_size=MOST_BYTES, className="drop"),
        html.Div(id="photo-look", **aria(live="polite")),
    ]


def _look(place: Place, job: Job, photo: Photo) -> list:
    """The photo as it would be kept, and what is to be said of it."""
    zone, distance = _of_farm(place, job, photo)
    at = photo.taken
    if at is not None and at.tzinfo is None:
        at = at.replace(tzinfo=zone) if zone else None
    told = [f"{photo.size[0]} by {photo.size[1]} pixels."]
    if photo.taken is None:
        told.append("The file does not say when it was taken.")
    elif photo.taken.tzinfo is None:
        told.append("The camera gave a time without an offset; it is taken as the farm's own. Correct it if that is wrong.")
    if not math.isnan(distance):
        told.append(f"The camera was {_km(distance)} from the farm's position"
                    + (": is it of this farm?" if distance > _FAR else "."))
    values = {"part": next(iter(sorted(job.parts - {"site"})), ""), "at": at.isoformat(timespec="minutes") if at else ""}
    boxes = [html.Label([text, dcc.Input(id={"type": "photo", "name": name}, type="text", value=values.get(name, ""),
                                         maxLength=500, autoComplete="off", required=name == "note",
                                         placeholder="2025-06-30T13:45+01:00" if name == "at" else "")])
             for name, text in _FIELDS.items()]
    return [
        html.Img(src=f"data:image/jpeg;base64,{base64.b64encode(photo.content).decode()}", className="look",
                 alt="The photo as it would be kept"),
        html.P([" ".join(told), " Nothing is kept yet."]),
        html.Div(boxes, className="fields"),
        html.Div([html.Button("Keep the photo", id={"type": "photo-keep", "n": 1}, n_clicks=0),
                  html.Button("Do not keep it", id={"type": "photo-drop", "n": 1}, n_clicks=0)], className="buttons"),
    ]


def _of_farm(place: Place, job: Job, photo: Photo) -> tuple[ZoneInfo | None, float]:
    """The farm's time zone, and the camera's distance from it [km]; None and NaN for a farm of no assessment."""
    farm = place.store.row("sites", {"site_id": job.site_id})
    if farm is None:
        return None, math.nan
    return ZoneInfo(farm["timezone"]), photo.distance_km(farm["latitude"], farm["longitude"])


def _keep(place: Place, ref: int, upload: str | None, texts: dict[str, str]) -> tuple:
    """Keep the photo, which is read anew, since nothing was kept of it: the renewed part of the page, or why not."""
    person, book = allowed(), place.jobs.book()
    try:
        job, photo = book.job(ref), clean_photo(content_of(upload, MOST_BYTES))
        parts = parts_of(place.store, job)
        kept = book.keep_photo(ref, person.name, photo.content, texts.get("note", ""), time_of(texts.get("at", "")),
                               texts.get("part"), _of_farm(place, job, photo)[1], parts)
    except BookError as err:
        return no_update, refused(err)
    said = html.P(f"Kept as photo {kept.number}.", className="done")
    return photos_part(book.evidence(ref), book.job(ref), person, parts, said), no_update


def photo_callbacks(app: Dash, place: Place) -> None:
    """What adds photos to the job on the page, and takes them back."""
    @app.callback(Output("photo-look", "children"), Input("photo-file", "contents"), State("job-ref", "data"),
                  prevent_initial_call=True)
    def look(upload: str | None, ref: int) -> Any:
        if not upload:
            return no_update
        allowed()
        try:
            return _look(place, place.jobs.book().job(int(ref)), clean_photo(content_of(upload, MOST_BYTES)))
        except BookError as err:
            return refused(err)

    @app.callback(
        Output("job-photos", "children"), Output("photos-said", "children"),
        Input({"type": "photo-keep", "n": ALL}, "n_clicks"), Input({"type": "photo-back", "number": ALL}, "n_clicks"),
        State("photo-file", "contents"), State("job-ref", "data"), State({"type": "photo", "name": ALL}, "value"),
        State({"type": "photo", "name": ALL}, "id"), prevent_initial_call=True)
    def write(keeps: list, backs: list, upload: str | None, ref: int, values: list, ids: list) -> Any:
        pressed = ctx.triggered_id
        if not pressed or not any((*keeps, *backs)):
            return no_update, no_update
        if pressed["type"] == "photo-keep":
            texts = {i["name"]: str(v or "").strip() for i, v in zip(ids, values, strict=True)}
            return _keep(place, int(ref), upload, texts)
        person, book = allowed(), place.jobs.book()
        try:
            book.withdraw(int(ref), person.name, int(pressed["number"]))
        except BookError as err:
            return no_update, refused(err)
        said = html.P(f"Photo {pressed['number']} is taken back: it stays in the book and is no longer shown.", className="done")
        job = book.job(int(ref))
        return photos_part(book.evidence(job.ref), job, person, parts_of(place.store, job), said), no_update

    @app.callback(Output("photo-look", "children", allow_duplicate=True), Output("photo-file", "contents"),
                  Input({"type": "photo-drop", "n": ALL}, "n_clicks"), prevent_initial_call=True)
    def drop(presses: list) -> Any:
        return (html.P("Nothing of it is kept.", className="quiet"), None) if any(presses) else (no_update, no_update)


def photo(place: Place, ref: str, number: str) -> flask.Response:
    """One photo, as what its content is; a file that no browser shows is handed out as plain bytes."""
    try:
        evidence = place.jobs.book().evidence(int(ref) if ref.isdecimal() and len(ref) < 10 else 0)
        found = next((e for e in evidence if str(e.number) == number and e.kind == PHOTO and not e.withdrawn), None)
        if found is None:
            flask.abort(404)
        content, kind = photo_content(place.portfolio, found)
    except BookError as err:
        return flask.Response(str(err), 409, content_type="text/plain; charset=utf-8")
    ending = {v: k.lower() for k, v in KINDS.items()}.get(kind, "bin")
    return flask.Response(content, content_type=kind or "application/octet-stream", headers={
        "Content-Disposition": f'attachment; filename="job-{found.ref}-photo-{found.number}.{ending}"'})


PHOTO_ROUTE = Route("/jobs/<ref>/photo/<number>", photo, frozenset(ROLES))
