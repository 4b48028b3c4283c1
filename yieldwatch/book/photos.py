"""
Photos that people send: read as pictures, written anew with nothing else in them, and kept in the portfolio's folder.

What a camera writes beside the picture (its place, its owner, its serial number) stays out of the kept file. When it was taken is
read off before, and how far from the farm, so that both can stand in the book.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import math
import os
import secrets
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from PIL import ExifTags, Image, ImageFile, ImageOps

from yieldwatch.book.evidence import photo_file
from yieldwatch.book.facts import Evidence
from yieldwatch.errors import BookError

#: Largest file that is taken [bytes], and largest picture [pixels]: a small file can unpack to more memory than there is.
MOST_BYTES, MOST_PIXELS = 15_000_000, 64_000_000
#: Longest side of a kept picture [pixels], and its JPEG quality: enough to read a serial number on a plate.
LONGEST, _QUALITY = 3000, 88
#: Kinds by content, as Pillow names them, and what a browser calls them.
KINDS = {"JPEG": "image/jpeg", "PNG": "image/png", "WEBP": "image/webp"}
#: Eight bits a colour: others, as of thermal cameras, would come out wrong.
_MODES = {"1", "L", "LA", "P", "PA", "RGB", "RGBA", "CMYK", "YCbCr"}
#: Folder below the portfolio's.
FOLDER = "photos"
#: All that damaged or forged content makes the decoder raise.
_UNREADABLE = (OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, OverflowError, ZeroDivisionError, EOFError,
               struct.error, Image.DecompressionBombError, Image.DecompressionBombWarning)
_EXPECTED = f"Expected a picture in {', '.join(KINDS)}."
_TURN = threading.Lock()


@dataclass(frozen=True)
class Photo:
    """
    A photo, made safe.

    Attributes
    ----------
    content : bytes
        JPEG without metadata, turned upright.
    size : tuple of int
        Width and height. [pixels]
    taken : datetime or None
        By the camera; without an offset where it gave none.
    latitude, longitude : float
        Where the camera was, NaN where it did not say. [°]
    """

    content: bytes
    size: tuple[int, int]
    taken: dt.datetime | None
    latitude: float
    longitude: float

    def distance_km(self, latitude: float, longitude: float) -> float:
        """From the camera to a place, on a sphere of 6371 km; NaN where it is not known. [km]"""
        if math.isnan(self.latitude) or math.isnan(self.longitude):
            return math.nan
        a, b = math.radians(self.latitude), math.radians(latitude)
        half = (math.sin((b - a) / 2) ** 2
                + math.cos(a) * math.cos(b) * math.sin(math.radians(longitude - self.longitude) / 2) ** 2)
        return 2 * 6371.0 * math.asin(min(1.0, math.sqrt(half)))


def clean_photo(content: bytes, longest: int = LONGEST) -> Photo:
    """
    Read a picture and write it anew, its longest side at most `longest` pixels.

    Raises
    ------
    BookError
        If it is no picture by its content, whatever its name says, or too large.
    """
    if not 0 < len(content) <= MOST_BYTES:
        raise BookError(f"photo: {len(content):,} bytes. Expected 1 to {MOST_BYTES:,}. Save it smaller.")
    with _decoder():
        try:
            with Image.open(io.BytesIO(content), formats=tuple(KINDS)) as image:
                width, height = image.size
                if width * height > MOST_PIXELS:
                    raise BookError(f"photo: {width:,} by {height:,} pixels. Expected {MOST_PIXELS:,} in all at most. "
                                    "Save it smaller.")
                if image.mode not in _MODES:
                    raise BookError(f"photo: colours of a kind that cannot be shown ({image.mode}). Expected eight bits a "
                                    "colour. Save it so.")
                taken, latitude, longitude = _told(image)
                # A JPEG is decoded at the size that is needed.
                image.draft("RGB", (longest, longest))
                upright = ImageOps.exif_transpose(image)
                upright.thumbnail((longest, longest))
                flat = _flat(upright)
        except BookError:
            raise
        except _UNREADABLE:
            raise BookError(f"photo: no sound picture by its content. {_EXPECTED} Save it anew as one.") from None
        target = io.BytesIO()
        flat.save(target, "JPEG", quality=_QUALITY)
    return Photo(target.getvalue(), flat.size, taken, latitude, longitude)


@contextmanager
def _decoder() -> Iterator[None]:
    """One picture at a time, since each is large in memory, and half a picture is none, whatever a library has set for all."""
    with _TURN:
        lenient, ImageFile.LOAD_TRUNCATED_IMAGES = ImageFile.LOAD_TRUNCATED_IMAGES, False
        try:
            yield
        finally:
            ImageFile.LOAD_TRUNCATED_IMAGES = lenient


def _flat(image: Image.Image) -> Image.Image:
    """The colours alone, on white, as a new picture that carries nothing over."""
    if image.has_transparency_data:
        image = image.convert("RGBA")
        under = Image.new("RGBA", image.size, "white")
        image = Image.alpha_composite(under, image)
    flat = Image.new("RGB", image.size)
    flat.paste(image.convert("RGB"))
    return flat


def _told(image: Image.Image) -> tuple[dt.datetime | None, float, float]:
    """When and where by the camera; what cannot be read is not known."""
    try:
        exif = image.getexif()
        camera, place = exif.get_ifd(ExifTags.IFD.Exif), exif.get_ifd(ExifTags.IFD.GPSInfo)
    except _UNREADABLE:
        return None, math.nan, math.nan
    latitude = _degrees(place, ExifTags.GPS.GPSLatitude, ExifTags.GPS.GPSLatitudeRef, "S", 90.0)
    longitude = _degrees(place, ExifTags.GPS.GPSLongitude, ExifTags.GPS.GPSLongitudeRef, "W", 180.0)
    return _taken(camera), latitude, longitude


def _taken(camera: dict) -> dt.datetime | None:
    text = str(camera.get(ExifTags.Base.DateTimeOriginal, ""))
    offset = str(camera.get(ExifTags.Base.OffsetTimeOriginal, "")).strip()
    try:
        at = dt.datetime.strptime(text.strip(), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    try:
        return dt.datetime.fromisoformat(f"{at.isoformat()}{offset}")
    except ValueError:
        return at


def _degrees(place: dict, name: int, side: int, negative: str, most: float) -> float:
    try:
        degrees, minutes, seconds = (float(part) for part in place[name])
    except _UNREADABLE:
        return math.nan
    value = degrees + minutes / 60.0 + seconds / 3600.0
    if not 0.0 <= value <= most:
        return math.nan
    return -value if str(place.get(side, "")).strip().upper() == negative else value


def keep_file(portfolio: Path, ref: int, content: bytes) -> tuple[str, bool]:
    """
    Put a cleaned photo into the portfolio's folder, never over another file.

    Returns
    -------
    path : str
        Below the portfolio's folder; named by the content, so the same photo has one file a job.
    is_new : bool
        Whether the file was not there before.

    Raises
    ------
    BookError
        If the folder cannot be written, or something else stands in its place.
    """
    name = f"{FOLDER}/job-{ref}/{hashlib.sha256(content).hexdigest()[:24]}.jpg"
    target = portfolio / name
    unfinished = target.with_name(f".{secrets.token_hex(8)}.unfinished")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.parent.resolve().is_relative_to(portfolio.resolve()):
            raise BookError(f"{name}: leads out of the portfolio's folder. Expected a folder within it. Remove the link.")
        try:
            unfinished.write_bytes(content)
            os.link(unfinished, target)
        finally:
            unfinished.unlink(missing_ok=True)
    except FileExistsError:
        if target.is_file() and target.read_bytes() == content:
            return name, False
        raise BookError(f"{name}: something else stands there. Expected nothing, or this photo. Move it away.") from None
    except OSError as err:
        raise BookError(f"{name}: cannot be written ({err.strerror or err}). Expected a portfolio's folder that can be. "
                        "Check its rights.") from None
    return name, True


def photo_content(portfolio: Path, evidence: Evidence) -> tuple[bytes, str]:
    """
    Return a kept photo's content and its kind for a browser, read off the content: empty where it is none that browsers show.

    Raises
    ------
    BookError
        If the file is no longer there, or not as it was when added.
    """
    path, wrong = photo_file(portfolio, evidence)
    content = b"" if path is None else path.read_bytes()
    if path is not None and hashlib.sha256(content).hexdigest() != evidence.sha256:
        wrong = "not as it was when added"
    if wrong:
        raise BookError(f"photo {evidence.number}: {wrong}. Expected the file as it was added. Put it back, or withdraw it.")
    try:
        with Image.open(io.BytesIO(content), formats=tuple(KINDS)) as image:
            return content, KINDS[image.format or ""]
    except _UNREADABLE:
        return content, ""
