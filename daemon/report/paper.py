"""The report as a PDF: the same page set on paper by WeasyPrint, without a browser; the only door to it."""

from __future__ import annotations

from pathlib import Path


class NoPress(Exception):  # noqa: N818 - says what is missing
    """What turns a page into a PDF is not installed; the message says what to install."""


def write_pdf(html: str, path: Path, *, letter: bool) -> None:
    """Set a report on paper and write it.

    Parameters
    ----------
    html : str
        The report as ``daemon.report.page`` writes it.
    path : pathlib.Path
        Where to.
    letter : bool
        US letter paper instead of A4.

    Raises
    ------
    NoPress
        WeasyPrint, or the Pango libraries under it, are not there.
    OSError
        The file cannot be written.
    """
    try:
        # Half a second and 60 MB, only for those who ask.
        import weasyprint  # noqa: PLC0415 - see above
        from weasyprint.urls import URLFetcher  # noqa: PLC0415 - see above
    except ImportError as error:
        raise NoPress(
            "--pdf needs WeasyPrint: install tegwatch with its report extra, or print the HTML report from a "
            "browser"
        ) from error
    except OSError as error:  # it loads them when it is imported
        raise NoPress(
            "--pdf needs the Pango libraries (Debian: libpango-1.0-0, libpangoft2-1.0-0) and a font "
            f"(fonts-dejavu-core), or print the HTML report from a browser: {error}"
        ) from error
    paper = weasyprint.CSS(string=f"@page {{ size: {'letter' if letter else 'A4'} !important }}")
    # A report holds all that it needs; whatever would fetch something is a mistake, and fails.
    nowhere = URLFetcher(allowed_protocols=(), fail_on_errors=True)
    document = weasyprint.HTML(string=html, url_fetcher=nowhere)
    path.write_bytes(document.write_pdf(stylesheets=[paper], pdf_tags=True))
