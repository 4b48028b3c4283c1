"""What tests of PDF files share."""

from __future__ import annotations

import io

import pypdf
import pytest

from yieldwatch.report.pdf import why_no_pdf

needs_pango = pytest.mark.skipif(bool(why_no_pdf()), reason=why_no_pdf())


def pages(content: bytes) -> list[str]:
    """The text of each page, blanks run together."""
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(content)).pages]
