"""Turn an executed notebook into one HTML page that needs neither network nor script.

The page theme is part of the package. Text from campaigns was escaped where
the cells made their HTML (:mod:`thermlab.reports.pages`); the content security policy
in the page is the second fence.
"""

import base64
import hashlib
import re
from collections.abc import Mapping
from functools import cache, partial
from html import escape
from importlib.resources import files
from string import Template
from typing import Any

from thermlab import __version__
from thermlab.base.marks import PAGE

_HEADING = re.compile(r'<h2[^>]*\bid="([^"]+)"[^>]*>(.*?)</h2>', flags=re.DOTALL)
_LINK_SIGN = re.compile(r'<a class="anchor-link"[^>]*>.*?</a>')
_TAG = re.compile(r"<[^>]*>")
_SVG = "data:image/svg+xml;base64,"
_DRAWING = re.compile(rf'<img src="{re.escape(_SVG)}([^"]+)"')
_CONTENTS = "<li>contents</li>"
HIDDEN, MEASURED, SHEET = "notebook only", "once measured", "customer's sheet"
"""Tags of cells: for a person at the notebook and not for the report; for a report with something measured; for a page
of its own."""
WRITTEN = '<span class="written"></span>'
"""Where a page says when it was written, which only the page knows."""


def contents(html: str) -> str:
    """Return the second-level headings of a page as items of a list of links."""
    headings = ((anchor, _TAG.sub("", text).strip()) for anchor, text in _HEADING.findall(html))
    return "\n".join(f'<li><a href="#{anchor}">{text}</a></li>' for anchor, text in headings)


def _theme(name: str) -> str:
    return (files("thermlab.reports") / "page_theme" / "thermlab" / name).read_text(encoding="utf-8")


def plain_page(body: str, *, title: str, kind: str, style: str = "", script: str = "") -> str:
    """Return a whole page around finished HTML: no network, and no script but the one given, allowed by its hash.

    Parameters
    ----------
    body : str
        HTML, escaped where it has to be.
    title : str
        Title of the page, not escaped.
    kind : str
        Class of the body, for the style sheet.
    style, script : str
        What the page has beside the style sheet of all pages.

    Returns
    -------
    str
        The whole page.
    """
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    scripts = f"script-src 'sha256-{digest}'; " if script else ""
    return Template(_theme("plain.html")).substitute(
        policy="default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
        f"{scripts}base-uri 'none'; form-action 'none'",
        version=escape(__version__),
        title=escape(title),
        style=style_sheet() + style,
        kind=kind,
        body=body,
        script=f"<script>{script}</script>\n" if script else "",
    )


def picture(svg: str, described: Mapping[str, Any]) -> str:
    """Return a picture of a page with its words: on a telephone its narrow form, or a frame to move it in.

    Parameters
    ----------
    svg : str
        The picture; as an image it can neither run anything nor load anything.
    described : mapping
        ``alt``, ``width`` and ``height`` in CSS pixels, and ``narrow``, where there is a narrow form.
    """
    size = " ".join(f'{name}="{escape(str(described[name]))}"' for name in ("width", "height", "alt"))
    image = f'<img src="{_address(svg)}" {size}>'
    if "narrow" not in described:
        frame = '<div class="across" role="group" aria-label="Picture" tabindex="0">'
        return f"<figure>{frame}{image}</div></figure>"
    narrow = f'<source media="screen and (max-width: 30rem)" srcset="{_address(described["narrow"])}">'
    return f"<figure><picture>{narrow}{image}</picture></figure>"


def _address(svg: str) -> str:
    return _SVG + base64.b64encode(svg.encode()).decode("ascii")


def drawings(html: str) -> list[bytes]:
    """Return the drawings in a part of a page, as :func:`picture` put them there, without narrow forms."""
    return [base64.b64decode(data) for data in _DRAWING.findall(html)]


def style_sheet() -> str:
    """Return the style sheet with the colours of :mod:`thermlab.base.marks` as its variables."""
    sheet = _theme("page.css")
    return ":root { " + " ".join(f"--{name}: {colour};" for name, colour in PAGE.items()) + " }\n" + sheet


def render_page(
    notebook: Any, *, title: str, kind: str = "Report", written: str = "", short: bool = False, sheet: bool = False
) -> str:
    """Render an executed notebook with the theme of the package.

    Parameters
    ----------
    notebook : NotebookNode
        As executed.
    title : str
        Title of the page, not escaped.
    kind : str
        Word over the table of contents.
    written : str
        When it was written, for the first lines of the page.
    short : bool
        Leave out what says nothing before anything is measured.
    sheet : bool
        Only the customer's sheet, without contents.

    Returns
    -------
    str
        The whole page.
    """
    shown = notebook.copy()
    hidden = {HIDDEN, MEASURED} if short else {HIDDEN}
    tagged = [(set(cell.metadata.get("tags", [])), cell) for cell in notebook.cells]
    shown["cells"] = [cell for tags, cell in tagged if (SHEET in tags) == sheet and hidden.isdisjoint(tags)]
    page: dict[str, Any] = {
        "title": title,
        "kind": kind,
        "version": __version__,
        "style": style_sheet(),
        "contents": "" if sheet else _CONTENTS,
        "plain_headings": partial(_LINK_SIGN.sub, ""),
    }
    html, _ = _exporter().from_notebook_node(shown, resources={"page": page})
    said = f'<time class="written">Written {escape(written)}.</time>' if written else ""
    return str(html).replace(_CONTENTS, contents(html), 1).replace(WRITTEN, said)


def prepare() -> None:
    """Compile the theme; meant for the time in which this process only waits for a kernel."""
    _ = _exporter().template


@cache
def _exporter() -> Any:
    """Return what applies our theme; one for the process, since its template takes as long to compile as to fill in."""
    from nbconvert.exporters.templateexporter import TemplateExporter  # noqa: PLC0415

    theme = _theme("index.html.j2")
    return TemplateExporter(raw_template=theme, template_name="base", default_preprocessors=[])  # type: ignore[no-untyped-call]
