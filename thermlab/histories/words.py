"""What a history says, as plain text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermlab.base.numbers import counted, decimals_for, number, percent, with_interval

if TYPE_CHECKING:
    from collections.abc import Iterator

    from thermlab.histories.records import AcrossCampaigns, AgeTrend, BaselineChart, BenchHistory, History, LotSummary

MILLI = 1000.0


def summary(found: History) -> str:
    """Return the findings of a history as text, one line per finding."""
    lines = [f"{found.archive}: {counted(found.n_campaigns, 'campaign')}, {counted(found.n_builds, 'build')}"]
    for bench in found.benches:
        lines += [scatter_sentence(bench), *(f"  caution: {text}" for text in bench.cautions)]
        lines += [f"  {bench.prior}"] if bench.prior else []
    for chart in found.baselines:
        lines += [baseline_sentence(chart)]
    lines += [across_sentence(one) for one in found.across]
    lines += [lot_sentence(one) for one in found.lots]
    lines += list(build_sentences(found))
    lines += [age_sentence(one) for one in found.ageing]
    lines += [f"left out: {text}" for text in found.left_out]
    return "\n".join(lines)


def bench_name(bench: str) -> str:
    """Return the name of a bench, for a sentence."""
    return f"bench {bench}" if bench else "the bench without a name"


def scatter_sentence(bench: BenchHistory) -> str:
    """Say how much mounts scatter on a bench."""
    if bench.mount_sd_K_per_W is None:
        return f"Mount SD on {bench_name(bench.bench)}: not known."
    return (
        f"Mount SD on {bench_name(bench.bench)}: {MILLI * bench.mount_sd_K_per_W:.3g} mK/W "
        f"({100.0 * bench.mount_sd_K_per_W:.2g} K at 100 W), run noise taken out, "
        f"{counted(bench.dof, 'degree')} of freedom from {counted(len(bench.campaigns), 'campaign')}."
    )


def baseline_sentence(chart: BaselineChart) -> str:
    """Say whether the baseline of a bench stayed what it was."""
    what = f"{chart.treatment} on {bench_name(chart.bench)} at {chart.power_W:g} W"
    found = chart.chart
    if found is None:
        return f"{what}: {counted(len(chart.points), 'mount')}, too few or too alike to chart."
    limits = f"limits {MILLI * found.lower:.1f} to {MILLI * found.upper:.1f} mK/W about {MILLI * found.centre:.1f} mK/W"
    if found.steady:
        return (
            f"{what}: {counted(len(chart.points), 'mount')}, all within the {limits}: no sign that the bench changed."
        )
    signals = [f"mount {chart.points[i].mount} of {chart.points[i].title!r} is outside" for i in found.outside]
    signals += [
        f"{last - first + 1} mounts in a row lie on one side from mount {first + 1} on" for first, last in found.runs
    ]
    return f"{what}: {'; '.join(signals)} ({limits}): look for what changed on the bench."


def across_sentence(one: AcrossCampaigns) -> str:
    """Say what a treatment gains over all campaigns."""
    what = f"{one.treatment} against {one.baseline}"
    found = one.combined
    if found is None:
        return f"{what}: {counted(len(one.studies), 'campaign')}, nothing to combine."
    lo, hi = found.interval
    text = (
        f"{what}, {found.n} campaigns: {with_interval(MILLI * found.mean, (MILLI * lo, MILLI * hi))} mK/W "
        f"({percent(found.confidence_level)} confidence interval); between campaigns beyond their uncertainty "
        f"{MILLI * found.tau:.2g} mK/W"
    )
    if found.prediction_interval is not None:
        lo, hi = (MILLI * end for end in found.prediction_interval)
        decimals = decimals_for((hi - lo) / 2.0)
        ends = ", ".join(number(end, decimals, sign=True) for end in (lo, hi))
        text += f"; a further campaign is expected within [{ends}]"
    return text + "."


def lot_sentence(one: LotSummary) -> str:
    """Say how much lots differ."""
    found = one.combined
    return (
        f"Lots of {one.treatment} on {bench_name(one.bench)} at {one.power_W:g} W: {counted(found.n, 'lot')}, "
        f"between lots {MILLI * found.tau:.2g} mK/W beyond the scatter of mounts "
        f"(test of no difference between lots: p = {found.q_p_value:.2g})."
    )


def build_sentences(found: History) -> Iterator[str]:
    """Say how builds came out."""
    if not found.builds:
        return
    judged = [(point, point.interval_K) for point in found.builds if point.interval_K is not None]
    outside = [point for point, (low, high) in judged if not low <= point.rise_K <= high]
    names = ", ".join(f"{point.build} at {point.power_W:g} W" for point in outside)
    yield (
        f"Builds: {len(judged) - len(outside)} of {counted(len(judged), 'run')} within the interval for a fresh mount"
        + (f": outside {names}." if outside else ".")
    )


def age_sentence(one: AgeTrend) -> str:
    """Say what age does to a mount."""
    scale = one.power_W
    interval = None
    if one.interval_K_per_W is not None:
        interval = (scale * one.interval_K_per_W[0], scale * one.interval_K_per_W[1])
    cautions = f" {' '.join(one.cautions)}" if one.cautions else ""
    change = with_interval(scale * one.slope_K_per_W, interval)
    return (
        f"Age of {one.treatment} on {bench_name(one.bench)}: {change} K per {one.unit} at {scale:g} W, "
        f"{counted(len(one.mounts), 'mount')}: {one.finding}.{cautions}"
    )
