"""The index page of an archive: every bag with its answer, to be opened from disk.

The page comes from the list of bags alone, so that it costs no more than a line
per bag. It works without script, as a plain table; one small script, allowed by
its hash in the content security policy of the page, adds a search field and
sorting. Everything that came from a campaign is escaped. The page is a
convenience and no evidence: the list and the bags are.
"""

from __future__ import annotations

import base64
import hashlib
from html import escape
from typing import TYPE_CHECKING
from urllib.parse import quote

from thermlab import __version__
from thermlab.archives import listing as archive_list
from thermlab.base.files import replace_file
from thermlab.reports.render import style_sheet

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

INDEX = "index.html"
HISTORY = "history.html"
REPORTS = {"campaign": "data/report/report.html", "build": "data/record/record.html"}

_SCRIPT = """
"use strict";
(function () {
  var table = document.querySelector("table");
  var body = table.tBodies[0];
  var rows = Array.from(body.rows);
  var texts = rows.map(function (row) { return row.textContent.toLowerCase(); });
  var tools = document.getElementById("tools");
  var label = document.createElement("label");
  label.textContent = "Search the list ";
  var field = document.createElement("input");
  field.type = "search";
  field.autocomplete = "off";
  label.appendChild(field);
  var count = document.createElement("p");
  count.setAttribute("role", "status");
  tools.append(label, count);
  function filter() {
    var words = field.value.toLowerCase().split(/\\s+/).filter(Boolean);
    var shown = 0;
    rows.forEach(function (row, i) {
      var hit = words.every(function (word) { return texts[i].includes(word); });
      row.hidden = !hit;
      shown += hit ? 1 : 0;
    });
    count.textContent = shown + " of " + rows.length + " shown";
  }
  field.addEventListener("input", filter);
  filter();
  Array.from(table.tHead.rows[0].cells).forEach(function (cell, column) {
    var button = document.createElement("button");
    button.type = "button";
    button.textContent = cell.textContent;
    cell.textContent = "";
    cell.appendChild(button);
    button.addEventListener("click", function () {
      var up = cell.getAttribute("aria-sort") !== "ascending";
      Array.from(cell.parentNode.cells).forEach(function (other) { other.removeAttribute("aria-sort"); });
      cell.setAttribute("aria-sort", up ? "ascending" : "descending");
      var keys = new Map(rows.map(function (row) { return [row, row.cells[column].textContent]; }));
      rows.slice().sort(function (a, b) {
        return (up ? 1 : -1) * keys.get(a).localeCompare(keys.get(b), "en", {numeric: true});
      }).forEach(function (row) { body.appendChild(row); });
    });
  });
})();
"""
_STYLE = """
.archive main { max-width: 80rem; margin: 0 auto; padding: 0 1.25rem 3rem; }
.archive table { width: 100%; }
.archive tbody th { min-width: 11rem; overflow-wrap: anywhere; }
.archive td ul { list-style: none; margin: 0; padding: 0; }
.archive td { min-width: 5rem; overflow-wrap: anywhere; }
.archive td.wide { min-width: 17rem; max-width: none; }
.archive td.date { white-space: nowrap; }
#tools { display: flex; flex-wrap: wrap; gap: .5rem 1.5rem; align-items: baseline; margin: 1rem 0; }
#tools p { margin: 0; }
#tools input { font: inherit; color: inherit; background: var(--sheet); border: 1px solid var(--muted);
  padding: .3rem .5rem; width: 16rem; max-width: 100%; }
.archive thead button { font: inherit; font-weight: 600; color: inherit; background: none; border: 0; padding: .3rem 0;
  min-height: 1.6rem; text-align: left; text-decoration: underline; text-underline-offset: .2em; cursor: pointer; }
.archive th[aria-sort=ascending] button::after { content: " \\2191"; }
.archive th[aria-sort=descending] button::after { content: " \\2193"; }
@media print { #tools { display: none; } .archive thead button { text-decoration: none; } }
"""
_HEADINGS = ("Title", "Answer", "What", "Bench", "Report made", "Filed", "Folder")


def write_index(archive: Path) -> Path:
    """Write the index page of an archive anew, at once.

    Parameters
    ----------
    archive : Path
        The archive; its list is read.

    Returns
    -------
    Path
        The page.
    """
    entries, hashes, _ = archive_list.read_lines(archive)
    page = render_index(entries, last=hashes[-1] if hashes else None, history=(archive / HISTORY).is_file())
    replace_file(archive / INDEX, page.encode("utf-8", "replace"))
    return archive / INDEX


def render_index(entries: Sequence[archive_list.Entry], *, last: str | None, history: bool = False) -> str:
    """Return the index page.

    Parameters
    ----------
    entries : sequence of Entry
        Lines of the list, oldest first; the page shows the newest first.
    last : str or None
        Last hash of the list.
    history : bool
        Whether to link to the page of the history.

    Returns
    -------
    str
        The whole page.
    """
    digest = base64.b64encode(hashlib.sha256(_SCRIPT.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; "
        "base-uri 'none'; form-action 'none'"
    )
    head = "".join(f'<th scope="col">{heading}</th>' for heading in _HEADINGS)
    rows = "\n".join(map(_row, reversed(entries)))
    builds = sum(entry.kind == "build" for entry in entries)
    summary = f"{_count(len(entries) - builds, 'campaign')} and {_count(builds, 'build')}, the newest first."
    link = f'<p><a href="{HISTORY}">History of the benches</a></p>' if history else ""
    kept = f"<p>Last hash of the list: <code>{escape(last)}</code></p>" if last else ""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="thermlab {escape(__version__)}">
<title>Archive of campaigns and builds</title>
<style>
{style_sheet()}{_STYLE}</style>
</head>
<body class="archive">
<main id="main">
<h1>Archive of campaigns and builds</h1>
<p>{summary} Differences are candidate minus baseline with their confidence interval: negative means cooler.</p>
{link}
<div id="tools"></div>
<div class="scroll" role="region" aria-label="List of campaigns and builds" tabindex="0">
<table>
<thead><tr>{head}</tr></thead>
<tbody>
{rows}
</tbody>
</table>
</div>
<p>This page is made from <code>{archive_list.LIST}</code>. Whether the archive is still as it was filed,
<code>thermlab verify</code> finds out.</p>
{kept}
</main>
<script>{_SCRIPT}</script>
</body>
</html>
"""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _row(entry: archive_list.Entry) -> str:
    page = REPORTS.get(entry.kind)
    title = plain(entry.title) or plain(entry.bag)
    shown = f'<a href="{quote(entry.bag)}/{page}">{title}</a>' if page else title
    found = "".join(f"<li>{plain(text)}</li>" for text in entry.answers)
    cells = [
        f'<th scope="row">{shown}</th>',
        f'<td class="wide"><ul>{found}</ul></td>',
        f"<td>{plain(entry.kind)}</td>",
        f"<td>{plain(entry.bench)}</td>",
        f'<td class="date">{plain(entry.created[:10])}</td>',
        f'<td class="date">{plain(entry.filed[:10])}</td>',
        f'<td><a href="{quote(entry.bag)}/">{plain(entry.bag)}</a></td>',
    ]
    return f"<tr>{''.join(cells)}</tr>"


def plain(text: str) -> str:
    """Return text as HTML: escaped, without control or direction-changing characters."""
    return escape("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text))
