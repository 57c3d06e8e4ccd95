"""Blocks of HTML for reports and notebooks, escaped in one place.

Every text reaches HTML through :func:`escape`, whoever wrote it. A
:class:`Block` is HTML that was built so; anything else put into a page or a
table is taken for text and escaped.
"""

import html
import platform
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from importlib.resources import files
from operator import itemgetter
from string import Template
from typing import Any, Literal

from thermlab import __version__
from thermlab.base.marks import PAGE, Mark, treatment_marks
from thermlab.base.numbers import number, together, watts
from thermlab.campaign.runsheet import NOT_MADE
from thermlab.compare.analysis import Analysis
from thermlab.compare.records import TreatmentComparison, TreatmentThrottle
from thermlab.reports import wording
from thermlab.reports.render import WRITTEN
from thermlab.runs.records import ReducedRun

SAFETY = (
    "Hot metal burns; ISO 13732-1 gives thresholds of contact temperature (check the standard).",
    "Some compounds conduct electricity or attack aluminium; keep them off contacts and read their data sheets.",
    "Solvents used for cleaning are flammable.",
    "Mains supply and load runs left alone need local rules and qualified people.",
    "This report gives no safety clearance.",
)


@dataclass(frozen=True, slots=True)
class Block:
    """A piece of finished HTML that a notebook shows as it is."""

    html: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return f"Block of {len(self.html)} characters"


Column = tuple[object, Literal["text", "number", "wide"], Callable[[Any], object]]
"""A column of a :func:`listing`: its heading, its kind, and how a cell is made of a record."""
_TAG = re.compile(r"<[^>]*>")
_SHORT = 20
"""Cells of so many characters are kept on one line."""


# JupyterLab sets every cell of a table flush right and on one line; rules as exact as these are needed to undo it.
_NOTEBOOK_STYLE = files("thermlab.reports") / "page_theme" / "thermlab" / "notebook.css"


def escape(content: object) -> str:
    """Return content as HTML: a :class:`Block` as it is, all else escaped for text and attributes alike."""
    return content.html if isinstance(content, Block) else html.escape(str(content), quote=True)


def tag(name: str, *contents: object, **attributes: object) -> Block:
    """Return an element; contents and attribute values are escaped, ``class_`` stands for ``class``."""
    shown = "".join(f' {key.rstrip("_").replace("_", "-")}="{escape(str(v))}"' for key, v in attributes.items())
    return Block(f"<{name}{shown}>" + "".join(escape(content) for content in contents) + f"</{name}>")


def join(blocks: Iterable[object], between: str = "") -> Block:
    """Return several blocks as one."""
    return Block(between.join(escape(block) for block in blocks))


def paragraph(text: object) -> Block:
    """Return a paragraph."""
    return tag("p", _bound(text))


def _bound(text: object) -> object:
    return together(text) if isinstance(text, str) else text


def remark(text: object) -> Block:
    """Return a paragraph in the quieter tone of remarks."""
    return tag("p", _bound(text), class_="remark")


def items(texts: Iterable[object]) -> Block:
    """Return a list of points."""
    return tag("ul", *(tag("li", _bound(text)) for text in texts))


def table(
    caption: str,
    headings: Sequence[object],
    rows: Iterable[Sequence[object]],
    *,
    numeric: Iterable[int] = (),
    wide: Iterable[int] = (),
) -> Block:
    """Return a table of finished cells.

    Parameters
    ----------
    caption : str
        What the table shows.
    headings : sequence
        One per column, with unit.
    rows : iterable of sequences
        Cells.
    numeric, wide : iterable of int
        Columns set flush right, and columns of sentences, which get room.

    Returns
    -------
    Block
        As of :func:`listing`.
    """
    kinds: dict[int, Any] = dict.fromkeys(numeric, "number") | dict.fromkeys(wide, "wide")
    return listing(caption, rows, [(head, kinds.get(i, "text"), itemgetter(i)) for i, head in enumerate(headings)])


def listing(
    caption: str,
    records: Iterable[Any],
    columns: Sequence[Column],
    *,
    left_out: Callable[[Any], bool] | None = None,
    stacked: bool = False,
) -> Block:
    """Return a table with one row per record, which its first column heads.

    Parameters
    ----------
    caption : str
        What the table shows.
    records : iterable
        One per row.
    columns : sequence of (heading, kind, cell)
        ``"number"`` is set flush right, ``"wide"`` holds sentences; ``cell`` makes what is shown of a record. Anything
        that is not a :class:`Block` is escaped.
    left_out : callable, optional
        Which records are shown as left out.
    stacked : bool
        On a narrow screen a row stands as a list of its cells, each behind its heading.

    Returns
    -------
    Block
        In a region that scrolls sideways and takes the keyboard focus where the page is narrow.
    """
    kinds: list[dict[str, str]] = [{} if kind == "text" else {"class_": kind} for _, kind, _ in columns]

    def cell(place: int, content: object) -> Block:
        kind = dict(kinds[place])
        if len(_TAG.sub("", escape(content))) <= _SHORT:
            kind["class_"] = f"{kind.get('class_', '')} short".strip()
        if place == 0:
            return tag("th", content, scope="row", **kind)
        return tag("td", content, **kind, **({"data_label": columns[place][0]} if stacked else {}))

    head = [tag("th", heading, scope="col", **kind) for (heading, _, _), kind in zip(columns, kinds, strict=True)]
    body = []
    for record in records:
        cells = [cell(i, content(record)) for i, (_, _, content) in enumerate(columns)]
        body.append(tag("tr", *cells, **({"class_": "unusable"} if left_out and left_out(record) else {})))
    whole = tag("table", tag("caption", caption), tag("thead", tag("tr", *head)), tag("tbody", *body))
    how = "scroll stacked" if stacked else "scroll"
    return tag("div", whole, class_=how, role="region", tabindex="0", aria_label=caption)


def run_columns(run_of: Callable[[Any], ReducedRun], marks: Mapping[str, Mark]) -> list[Column]:
    """Return the columns of a :func:`listing` that say which run it is."""
    return [
        ("run", "text", lambda record: run_of(record).run),
        ("treatment", "text", lambda record: signed(run_of(record).treatment, marks)),
        ("mount", "text", lambda record: run_of(record).mount),
        ("step in W", "number", lambda record: f"{run_of(record).set_power_W:g}"),
    ]


def flag_names(run: ReducedRun, between: str = ", ") -> str:
    """Return the flags of a run with their severities."""
    return between.join(f"{flag.flag} ({flag.severity})" for flag in run.flags)


def folded(summary: str, *parts: object) -> Block:
    """Return blocks that are opened by who wants them; on paper they stand open."""
    return tag("details", tag("summary", summary), *parts)


def view(*parts: object) -> Block:
    """Return blocks as one, set so that tables read well in JupyterLab."""
    style = Template(_NOTEBOOK_STYLE.read_text(encoding="utf-8"))
    rules = " ".join(style.substitute(muted=PAGE["muted"], edge=PAGE["caution-edge"]).split())
    return tag("div", Block(f"<style>{rules}</style>"), *parts, class_="bench-view")


def cautions_block(cautions: Sequence[object], heading: str = "Cautions") -> Block:
    """Return cautions before what they touch; nothing where there are none."""
    if not cautions:
        return Block("")
    return tag("div", tag("p", heading), items(cautions), class_="cautions", role="note")


def section_cautions(analysis: Analysis, part: str) -> Block:
    """Return the cautions of ``"comparison"`` or ``"throttle"``, or what is said of the ``"bench"`` beside its runs."""
    if part == "bench":
        beside = [one for one in analysis.caution_list if one.about == part and one.weight == "beside"]
        return join([paragraph(one.text) for one in beside], "\n")
    found = getattr(analysis, part)
    return cautions_block(() if found is None else found.cautions)


def marks_of(analysis: Analysis) -> dict[str, Mark]:
    """Return the marks of the treatments of a campaign, baseline first."""
    settings = analysis.campaign.settings
    return treatment_marks(list(settings.treatments), settings.baseline)


def _sign(name: str, marks: Mapping[str, Mark]) -> Block:
    mark = marks.get(name)
    if mark is None:
        return Block("")
    shown = tag("span", mark.sign, class_="sign", style=f"color:{mark.colour}", aria_hidden="true")
    return join([shown, Block(" ")])


def signed(name: str, marks: Mapping[str, Mark]) -> Block:
    """Return a treatment's name behind its mark."""
    return join([_sign(name, marks), name])


def opening(analysis: Analysis) -> Block:
    """Return title, cautions and the answer: what a reader with two minutes reads."""
    settings = analysis.campaign.settings
    bench = f"Bench {settings.bench}. " if settings.bench else ""
    measured = wording.measured_words(analysis.runs)
    parts = [
        tag("h1", settings.title),
        tag("p", f"{bench}{wording.campaign_line(analysis)}. {measured}", Block(WRITTEN), class_="subtitle"),
        # The other cautions stand where what they touch is shown.
        cautions_block([caution.text for caution in analysis.caution_list if caution.weight == "headline"]),
        tag("h2", "Answer", id="answer"),
        _answer_table(analysis),
        *_answers(analysis),
        _one_mount(analysis),
    ]
    return join(parts, "\n")


def _answer_table(analysis: Analysis) -> Block:
    """Return the answer on one screen: a line a treatment."""
    comparison, marks = analysis.comparison, marks_of(analysis)
    if comparison is None:
        return Block("")
    found = wording.by_treatment(comparison)
    throttles, costs = wording.by_treatment(analysis.throttle), wording.by_treatment(analysis.value)

    def of(name: str, say: Callable[[TreatmentComparison], str], baseline: str = "–") -> str:
        return say(found[name]) if name in found else baseline

    at, currency = watts(comparison.reference_power_W), analysis.campaign.settings.currency or "cost"
    prices = {name: number(item.cost_per_mount, 2) for name, item in costs.items()}
    columns: list[Column] = [
        ("treatment", "text", lambda name: signed(name, marks)),
        (f"difference at {at} in K", "number", lambda name: of(name, wording.difference_read, "baseline")),
        ("does it matter?", "text", lambda name: of(name, lambda i: wording.matters(analysis, i))),
        ("matters from", "text", lambda name: of(name, wording.matters_from)),
        ("one machine throttles at, in W", "text", lambda name: _one_machine(throttles.get(name))),
        (f"{currency} a mount", "number", lambda name: prices.get(name, "–")),
        ("what to do next", "text", lambda name: wording.short_step(analysis, name)),
    ]
    names = [comparison.baseline, *found]
    shown = [column for column in columns if any(column[2](name) not in ("–", "") for name in names)]
    return listing("Every treatment against the baseline; negative is cooler", names, shown, stacked=True)


def _one_machine(item: TreatmentThrottle | None) -> str:
    if item is None or item.throttle_power_W is None:
        return "–"
    interval = item.future_mount_interval_W or item.interval_W
    if interval is None:
        return f"about {number(item.throttle_power_W, 0)}, how sure is not known"
    return f"{number(item.throttle_power_W, 0)} [{number(interval[0], 0)}, {number(interval[1], 0)}]"


def _one_mount(analysis: Analysis) -> Block:
    """Return what one mount each could have shown; nothing where mounts were replicated."""
    supposed = () if analysis.comparison is None else analysis.comparison.one_mount
    if not supposed:
        return Block("")
    columns: list[Column] = [
        ("were the scatter between mounts, K", "number", lambda one: f"{one.mount_sd_K:g}"),
        ("smallest difference it could show, K", "number", lambda one: number(one.smallest_difference_K, 1)),
        ("throttle power known to, W", "number", lambda one: _half_width(one.throttle_half_width_W)),
    ]
    return listing("What one mount of each can show, by the scatter that this bench may have", supposed, columns)


def _half_width(value: float | None) -> str:
    return "–" if value is None else f"± {number(value, 0 if value >= 10 else 1)}"


def _answers(analysis: Analysis) -> list[Block]:
    found, marks = wording.answers(analysis), marks_of(analysis)
    if analysis.advice.state == "nothing measured":
        return [paragraph("None yet: there is no run that could be used.")]
    if not found:
        return [paragraph("There is no comparison: see the cautions for the reason. The runs are reported below.")]
    items = wording.by_treatment(analysis.comparison)
    decided = {name: f" {item.decision.text}" if item.decision else "" for name, item in items.items()}

    def said(a: wording.Answer) -> Block:
        claim, then = tag("strong", _bound(a.claim)), tag("em", decided[a.treatment])
        return tag("p", _sign(a.treatment, marks), claim, _bound(a.evidence), then, class_="lead answer")

    return list(map(said, found))


def machine(analysis: Analysis) -> Block:
    """Return the throttle power of every treatment in a sentence each, behind the cautions on them."""
    settings, marks = analysis.campaign.settings, marks_of(analysis)
    if analysis.throttle is None:
        why = "no temperature limit was given" if settings.limits is None else "no run could be used"
        return remark(f"No throttle power: {why}.")
    blocks = [cautions_block(wording.throttle_cautions(analysis))]
    for name in marks:
        said = "Baseline. " * (name == settings.baseline) + wording.throttle_sentence(analysis, name)
        blocks.append(tag("p", _sign(name, marks), _bound(said), class_="answer"))
    return join(blocks, "\n")


def next_steps(analysis: Analysis) -> Block:
    """Return what to do next: the advice that every other place gives too."""
    advice = analysis.advice
    steps = items(advice.steps) if advice.steps else Block("")
    return tag("div", tag("p", f"What to do next: {advice.state}"), steps, class_="next")


def went_wrong(analysis: Analysis) -> Block:
    """Return which runs were left out or are doubtful, and why."""
    marks = marks_of(analysis)
    made = [run for run in analysis.runs if run.reason != NOT_MADE]
    runs = [run for run in made if not run.used or run.worst() not in (None, "note")]
    if not made:
        return paragraph("Nothing: no run has been made yet.")
    if not runs:
        return paragraph("Nothing: every run was used and no check found anything that counts.")

    def named(run: ReducedRun) -> Block:
        mount = signed(run.treatment, marks), f" mount {run.mount}, {run.set_power_W:g} W"
        return join([run.run, tag("span", *mount, class_="under")])

    def why(run: ReducedRun) -> Block:
        own = [run.reason] if run.reason and run.reason not in {flag.flag for flag in run.flags} else []
        return join(map(paragraph, own + [f"{f.flag}: {f.reason}" for f in run.flags if f.severity != "note"]))

    columns: list[Column] = [
        ("run", "text", named),
        ("fate", "text", lambda run: "used, doubtful" if run.used else "left out"),
        ("why", "wide", why),
    ]
    return listing("Runs that were left out or are doubtful", runs, columns, left_out=lambda run: not run.used)


def customer_sheet(analysis: Analysis, sheet: str | None = "customer") -> Block:
    """Return two pages for a customer, in plain words; nothing where no sheet is asked for."""
    if sheet is None:
        return Block("")
    settings, limits = analysis.campaign.settings, analysis.campaign.settings.limits
    comparison, measured = analysis.comparison, wording.measured_words(analysis.runs)
    bench = f"Tested on the bench {settings.bench}. " if settings.bench else ""
    said = [("Nothing can be compared yet.", "")]
    if comparison is not None and comparison.treatments:
        said = [wording.plain_answer(comparison, item) for item in comparison.treatments]
    margin = f"Enough to matter is, for us, a difference of {wording.settings_of(analysis)[0]:g} °C or more."
    parts = [
        tag("h1", settings.title),
        tag("p", f"{bench}{measured}", Block(WRITTEN), class_="subtitle"),
        tag("h2", "What we found", id="answer"),
        *(tag("p", tag("strong", _bound(answer)), _bound(read), class_="lead answer") for answer, read in said),
        paragraph(margin),
        *([] if limits is None else [tag("h2", "What it means in your room"), _room(analysis)]),
        tag("h2", "What to keep in mind", class_="overleaf"),
        items(wording.plain_cautions(analysis)),
        tag("h2", "Safety"),
        safety(),
        remark("Every number and how it was found stands in the full report, which we keep."),
    ]
    return join(parts, "\n")


def _room(analysis: Analysis) -> Block:
    """Return how hot the machine gets in the customer's room and where it slows down, a line a treatment."""
    limits, comparison, marks = analysis.campaign.settings.limits, analysis.comparison, marks_of(analysis)
    assert limits is not None  # noqa: S101 - who asks has looked
    rises = {name: item.mean_rise_K for name, item in wording.by_treatment(comparison).items()}
    rises |= {} if comparison is None else {comparison.baseline: comparison.baseline_mean_rise_K}
    at = "" if comparison is None else watts(comparison.reference_power_W)

    def hot(name: str) -> str:
        rise = rises.get(name)
        if rise is None:
            return "cannot be said"
        reached = limits.room_C + rise
        return f"about {reached:.0f} °C" if reached < limits.temperature_C else "slows down before that"

    words = f"In a room at {limits.room_C:g} °C the machine works at full speed until its hottest part reaches "
    words += f"{limits.temperature_C:g} °C. From there on it slows itself down (it throttles)."
    columns: list[Column] = [
        ("material", "text", lambda name: signed(name, marks)),
        (f"gets at {at}", "text", hot),
        ("slows itself down at", "text", lambda name: wording.slows_at(analysis, name)),
    ]
    shown = columns if at else [columns[0], columns[2]]
    return join([paragraph(words), listing(f"In a room at {limits.room_C:g} °C", marks, shown, stacked=True)])


def method(analysis: Analysis) -> Block:
    """Return the method in words, with what was used."""
    return folded("How the numbers were made", *map(paragraph, wording.method_words(analysis)))


def safety() -> Block:
    """Return what a report about hot machines has to say."""
    return items(SAFETY)


def provenance(analysis: Analysis) -> Block:
    """Return checksums of the inputs, versions and what was changed for this report."""
    versions = {"thermlab": __version__, "Python": platform.python_version()}
    versions |= {name: metadata.version(name) for name in ("numpy", "pandas", "scipy", "matplotlib")}
    shown = "; ".join(f"{name} {version}" for name, version in versions.items())
    changed = [f"{name}: {_value(new)} instead of {_value(old)}" for name, (old, new) in analysis.overrides.items()]
    notes = wording.file_notes(analysis)
    columns: list[Column] = [
        ("file", "text", lambda name: name),
        ("notes on reading it", "text", lambda name: "; ".join(n for file, n in notes if file == name) or "–"),
        ("SHA-256", "text", lambda name: tag("code", analysis.sha256[name])),
    ]
    inputs = listing("Inputs, what was noted on reading them, and their SHA-256 checksums", analysis.sha256, columns)
    changes = f"Changed for this report: {'; '.join(changed) or 'nothing: all as written in the campaign'}."
    return join([paragraph(f"Versions: {shown}."), paragraph(changes), folded("Inputs and their checksums", inputs)])


def _value(value: object) -> str:
    return "as chosen by rule" if value is None else f"{value:g}" if isinstance(value, (int, float)) else str(value)
