"""
Plans and maps of a site that crews take along: the [[drawings]] of site.toml, and their files.
"""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from yieldwatch.portfolio import keys
from yieldwatch.portfolio.model import Drawing
from yieldwatch.portfolio.settings import Settings

#: Endings of files that a sheet can show.
PICTURES, PAGES = (".jpg", ".jpeg", ".png", ".webp"), (".pdf",)


def read_drawings(root: Path, site_id: str, top: Settings, notices: list[str]) -> tuple[Drawing, ...]:
    """
    Check the [[drawings]] of a site.

    A file that is not there is noticed and kept, so that the crew sheet can say it too: a plan that somebody relies on must not
    vanish, and stops no assessment. One outside the site's folder is refused.
    """
    found = []
    for number, item in enumerate(top["drawings"] or [], 1):
        settings = Settings(item, keys.DRAWING, f"{top.where}, [[drawings]] {number}", top.problems)
        name, shows = settings["file"], settings["shows"]
        if name is None or shows is None:
            continue
        place = f"sites/{site_id}/{name}"
        if not _is_inside(name):
            settings.refuse(f'file = "{name}", not below the site\'s folder. Expected a path such as drawings/cables.png')
        elif not name.lower().endswith(PICTURES + PAGES):
            settings.refuse(f'file = "{name}", of a kind that no sheet can show. Expected {", ".join(PICTURES + PAGES)}. '
                            "Save it as one of them")
        else:
            if drawing_file(root, place) is None:
                notices.append(f"{settings.where}: {place} is not there, so crew sheets say that it is missing. Add it.")
            found.append(Drawing(place, shows, settings["as_of"], settings["note"]))
    return tuple(sorted(found, key=lambda d: keys.DRAWN.index(d.shows)))


def _is_inside(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return not (name.startswith("/") or ".." in parts or "\\" in name or ":" in name or "\0" in name)


def drawing_file(root: Path, file: str) -> Path | None:
    """The file of a drawing, by `Drawing.file`; None if it is not there, or a link leads out of its site's folder."""
    path, own = root / file, root.joinpath(*PurePosixPath(file).parts[:2])
    try:
        return path if path.is_file() and path.resolve().is_relative_to(own.resolve()) else None
    except (OSError, ValueError):
        return None
