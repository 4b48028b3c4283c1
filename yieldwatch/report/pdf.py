"""
HTML to PDF: the same bytes each time, from nothing but the text and two fonts of our own.

The layout is done by WeasyPrint, which needs the system's Pango library. Where that is missing no PDF is made, and it is said.
"""

from __future__ import annotations

import functools
from pathlib import Path

from yieldwatch.errors import InputError

_FONTS = Path(__file__).parent / "fonts"
#: DejaVu Sans has Latin, Greek, Cyrillic, Arabic, Hebrew, Armenian and Georgian letters. Others come from the system's fonts, and
#: show as boxes with their code where it has none.
_FACES = "".join(
    f'@font-face {{ font-family: "Report"; font-weight: {weight}; src: url("{(_FONTS / name).as_uri()}") }}\n'
    for name, weight in (("DejaVuSansCondensed.ttf", "normal"), ("DejaVuSansCondensed-Bold.ttf", "bold")))


@functools.cache
def why_no_pdf() -> str:
    """Why no PDF can be made here, or an empty string if it can."""
    try:
        import weasyprint  # noqa: F401
    except OSError as err:
        return (f"No PDF was written: the Pango library that lays out pages is missing ({str(err).splitlines()[0]}). Install it "
                "(Debian and Ubuntu: apt install libpango-1.0-0 libpangoft2-1.0-0; macOS: brew install pango) and run again.")
    return ""


def pdf(html: str) -> bytes:
    """
    Lay out a page of HTML on paper.

    Parameters
    ----------
    html : str
        Whole document; user text in it is escaped already. It can fetch nothing: not from the disk, not from the net. Pictures
        are in it as data.

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        If the system lacks the library for it.
    """
    if missing := why_no_pdf():
        raise InputError(missing)
    from weasyprint import CSS, HTML
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import URLFetcher

    fonts = FontConfiguration()
    faces = CSS(string=_FACES, font_config=fonts, url_fetcher=URLFetcher(allowed_protocols=("file",)))
    document = HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=("data",)))
    written = document.write_pdf(stylesheets=[faces], font_config=fonts)
    assert written is not None  # no target was named
    return written
