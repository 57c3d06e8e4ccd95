"""The blocks and the picture of a build record: one page, for a customer and for the file."""

from __future__ import annotations

import platform
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from thermlab import __version__
from thermlab.base.marks import MARKER, PAGE
from thermlab.base.numbers import number, percent, with_interval
from thermlab.reports.pages import Block, Column, cautions_block, escape, items, join, listing, paragraph, remark, tag
from thermlab.reports.pictures import Picture, bar, hollow, name_rows, new_figure, panel, side, small_print
from thermlab.reports.render import WRITTEN
from thermlab.reports.wording import measured_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermlab.builds.assess import BuildAssessment
    from thermlab.builds.rises import Expected
    from thermlab.builds.throttle import BuildThrottle

VERDICT_WORDS = {
    "pass": "Pass: it keeps what was asked of it.",
    "refer": "Refer: a person has to look before it leaves the workshop.",
    "fail": "Fail: it does not keep what was asked of it.",
}
SAFETY = (
    "Metal parts get hot enough to burn under load. This record is about temperatures under load and gives no safety "
    "clearance."
)


def opening(assessment: BuildAssessment) -> Block:
    """Return title, verdict and cautions: what a customer reads."""
    settings, observed_W = assessment.build.settings, assessment.throttle.directly_observed_W
    reason = assessment.verdict_reason[:1].upper() + assessment.verdict_reason[1:] + "."
    style = (files("thermlab.builds") / "record.css").read_text(encoding="utf-8")
    lot = f", lot {settings.lot}" if settings.lot else ""
    against = f"the campaign “{title}”" if (title := assessment.reference.title) else "what is required of it, alone"
    made_of = f"Built with {settings.treatment}{lot}. Held against {against}."
    answer = (tag("strong", VERDICT_WORDS[assessment.verdict]), reason, _throttle_words(assessment))
    blocks = [
        tag("style", Block("\n" + style)),
        tag("h1", f"{settings.build}: {settings.title}"),
        tag("p", f"{made_of} {measured_words(assessment.reduced.runs)}", Block(WRITTEN), class_="subtitle"),
        tag("div", tag("p", answer[0], class_="lead"), *map(paragraph, answer[1:]), class_="answer"),
        cautions_block(assessment.cautions),
    ]
    if settings.notes:
        blocks.append(paragraph(settings.notes))
    if observed_W is not None:
        said = f"A run that reached the limit held a power that corresponds to {number(observed_W, 1)} W in "
        blocks.append(paragraph(f"{said}the customer's room: an observation of the throttle power."))
    return join(blocks, "\n")


def _throttle_words(assessment: BuildAssessment) -> str:
    found = assessment.throttle
    if found.throttle_power_W is None:
        return f"At which power it would throttle cannot be said: {found.reason}."
    level = percent(assessment.reference.confidence_level)
    power = with_interval(found.throttle_power_W, found.interval_W, sign=False)
    margin = with_interval(found.margin_W, found.margin_interval_W)
    return (
        f"In a room at {found.room_C:g} °C it reaches {found.temperature_limit_C:g} °C, where it begins to throttle, "
        f"at {power} W ({level} interval). {found.required_W:g} W are required: a margin of {margin} W."
    )


def rises(assessment: BuildAssessment) -> Block:
    """Return the build's rises against where a fresh mount was expected."""
    if not assessment.rises:
        return remark("No acceptance run could be used.")
    own = "rise of this build in K [± one standard uncertainty]"
    level, words = percent(assessment.reference.confidence_level), {True: "inside", False: "outside", None: "–"}
    columns: list[Column] = [
        ("power step", "text", lambda one: f"{one.set_power_W:g} W"),
        (own, "number", lambda one: with_interval(one.rise_K, _one_u(one.rise_K, one.u_rise_K), sign=False)),
        (f"a fresh mount was expected to read, in K [{level} prediction interval]", "number", _expected),
        ("mounts behind it", "number", lambda one: one.n_mounts),
        ("this build is", "text", lambda one: words[one.inside]),
    ]
    shown = columns[:2] if assessment.reference.alone else columns
    return listing("Rise over the room, settled", assessment.rises, shown)


def _expected(one: Expected) -> str:
    return with_interval(one.expected_rise_K, one.interval_K, sign=False)


def _one_u(value: float, u: float | None) -> tuple[float, float] | None:
    return None if u is None else (value - u, value + u)


def photos(assessment: BuildAssessment) -> Block:
    """Return the photos, without where they were taken."""
    if not assessment.photos:
        return Block("")
    shown = []
    for photo in assessment.photos:
        size = f'width="{photo.width_px}" height="{photo.height_px}"'
        image = Block(f'<img src="{photo.source}" alt="{escape(photo.alt)}" {size}>')
        shown.append(tag("figure", image, tag("figcaption", photo.alt)))
    return join([tag("h2", "Photos", id="photos"), tag("div", *shown, class_="record-photos")], "\n")


def provenance(assessment: BuildAssessment) -> Block:
    """Return rule, campaign, checksums, versions and safety in a few lines."""
    reference, acceptance = assessment.reference, assessment.build.settings.acceptance
    inside = "" if reference.alone else ", and every rise is inside its interval"
    rule = (
        f"Pass: the whole interval of the throttle power lies at or above what is required{inside}. Fail: the whole "
        f"interval lies short of it. Else refer. The requirement of {acceptance.required_W:g} W stands in the "
        "build's own file, written before the runs are made."
    )
    bench = f"bench {reference.bench or 'without a name'}"
    campaign = f"none; {bench}, {reference.cooling} cooling, thresholds of the checks by the build's file"
    if not reference.alone:
        report = f"report of {reference.created[:10]} by thermlab {reference.thermlab_version}"
        campaign = f"“{reference.title}”, {bench}, {report}, results {reference.results_sha256[:12]}"
    sums = ", ".join(f"{name} {digest[:12]}" for name, digest in assessment.reduced.sha256.items())
    made_by = f"thermlab {__version__}, Python {platform.python_version()}"
    made = f"Inputs (first digits of SHA-256): {sums}. Made by {made_by}."
    said = items([rule, f"Campaign: {campaign}.", made, SAFETY])
    return join([tag("h2", "How it was judged", id="judged"), said], "\n")


def signature(assessment: BuildAssessment) -> Block:
    """Return the line to sign on."""
    name = assessment.build.settings.signature or "Name"
    return tag("div", paragraph("Date"), paragraph(f"{name}, signature"), class_="record-signature")


_SMALL: dict[str, Any] = {"fontsize": 9.3, "color": PAGE["muted"]}
_OVER: dict[str, Any] = {"fontsize": 9.5, "bbox": {"facecolor": PAGE["sheet"], "edgecolor": "none", "pad": 0.6}}
_ROW_IN = 0.62


def picture(assessment: BuildAssessment) -> Picture | Block:
    """Draw the build's rises against the interval for a fresh mount, and its throttle power against the requirement.

    Parameters
    ----------
    assessment : BuildAssessment
        What was found.

    Returns
    -------
    Picture or Block
        A sentence in place of the picture where there is nothing to draw.
    """
    if not assessment.rises:
        return remark("No picture: no acceptance run could be used.")
    drawn = [one for one in assessment.rises if one.expected_rise_K is not None]
    upper_in, lower_in = (0.55 + _ROW_IN * len(drawn)) if drawn else -0.6, 0.75
    height = upper_in + lower_in + 1.35
    with new_figure(height) as figure:
        if drawn:
            _rises(panel(figure, left=1.35, right=0.3, bottom=height - upper_in - 0.12, top=0.12), drawn)
            small_print(figure, "bands: where a fresh mount was expected", x=0.015, bottom_in=0.1, **_SMALL)
        _throttle(panel(figure, left=1.35, right=0.3, bottom=0.62, top=height - 0.62 - lower_in), assessment.throttle)
    expected = [f" (expected {_expected(one)} K)" if one in drawn else "" for one in assessment.rises]
    rises = zip(assessment.rises, expected, strict=True)
    said = ", ".join(f"{one.rise_K:.2f} K at {one.set_power_W:g} W{text}" for one, text in rises)
    about = f"Build {assessment.build.settings.build} rises {said}. {_throttle_words(assessment)}"
    return Picture(figure, f"{about} Verdict: {assessment.verdict}.")


def _rises(axes: Axes, rises: list[Expected]) -> None:
    axes.axvline(0.0, color=PAGE["muted"], lw=0.9, zorder=1)
    for row, one in enumerate(rises):
        mean = one.expected_rise_K or 0.0
        bar(axes, one.interval_K and [end - mean for end in one.interval_K], row, PAGE["band"], 13, zorder=2)
        hollow(axes, [rise - mean for rise in one.mounts_K], row, MARKER["one"], PAGE["muted"], 5.5)
        off = one.rise_K - mean
        colour, marker = (PAGE["wrong"], "outside") if one.inside is False else (PAGE["ink"], "together")
        axes.plot(off, row, MARKER[marker], color=colour, ms=8, zorder=5)
        how: dict[str, Any] = {"xytext": (0, 13), "textcoords": "offset points", "ha": "center", **_OVER}
        axes.annotate(f"this build {number(off, 2, sign=True)} K", (off, row), **how)
    name_rows(axes, [f"at {one.set_power_W:g} W" for one in rises], above=0.62, below=0.5, size=11)
    reach = 1.15 * max(*map(abs, axes.get_xlim()), 0.5)
    axes.set_xlim(-reach, reach)
    axes.set_xlabel("rise less the campaign's mean in K (○ its mounts)", **_SMALL)


def _throttle(axes: Axes, found: BuildThrottle) -> None:
    bar(axes, found.expected_interval_W, 0, PAGE["band"], 13, zorder=2)
    if found.interval_W is not None and found.throttle_power_W is not None:
        bar(axes, found.interval_W, 0, PAGE["ink"], 2.4, zorder=4)
        axes.plot(found.throttle_power_W, 0, MARKER["together"], color=PAGE["ink"], ms=8, zorder=5)
    axes.axvline(found.required_W, color=PAGE["wrong"], lw=1.4, ls=(0, (5, 2)), zorder=3)
    axes.margins(x=0.18)
    name_rows(axes, ["throttle\npower"], above=0.9, below=0.6, size=11)
    words: dict[str, Any] = {"color": PAGE["wrong"], "ha": side(axes, found.required_W), **_OVER}
    axes.text(found.required_W, -0.6, f" required {found.required_W:g} W ", **words)
    axes.set_xlabel(f"throttle power in W in a room at {found.room_C:g} °C", **_SMALL)
