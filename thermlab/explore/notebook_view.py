"""How tables and texts are set in JupyterLab: like a page, without touching anything outside."""

from __future__ import annotations

from thermlab.base.marks import PAGE
from thermlab.reports.pages import Block, tag

# JupyterLab sets every cell of a table flush right and on one line; rules as exact as these are needed to undo it.
_STYLE = """
.bench-view {{ max-width: 62rem; }}
.bench-view p, .bench-view li {{ max-width: 46rem; }}
.bench-view .scroll {{ overflow-x: auto; }}
.bench-view .scroll table {{ border-collapse: collapse; margin-left: 0; }}
.bench-view .scroll table caption {{ text-align: left; caption-side: top; color: {muted}; padding: .3rem 0; }}
.bench-view .scroll table th, .bench-view .scroll table td {{
  text-align: left; vertical-align: top; white-space: normal; max-width: 24rem; }}
.bench-view .scroll table .number {{ text-align: right; }}
.bench-view .scroll table .short {{ white-space: nowrap; }}
.bench-view .scroll table td.wide:not(.short) {{ min-width: 13rem; }}
.bench-view .cautions {{ border-left: .3rem solid {edge}; padding-left: .8rem; margin: .6rem 0; }}
.bench-view pre {{ white-space: pre; overflow-x: auto; }}
"""


def view(*parts: object) -> Block:
    """Return blocks as one, set so that tables read well in JupyterLab."""
    rules = " ".join(_STYLE.format(muted=PAGE["muted"], edge=PAGE["caution-edge"]).split())
    return tag("div", Block(f"<style>{rules}</style>"), *parts, class_="bench-view")
