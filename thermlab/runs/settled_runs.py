"""From the traces of a campaign to its reduced runs, in the order made, with their flags.

One run cannot tell its own time constant from its settled rise, so the runs of
a campaign are reduced together: the room's lag and the time constant are found
in turn until they agree, then every run gets its settled rise, and what its
logged power was off the set power is corrected with the slope of the bench's
rise curve. This is done twice: the first pass finds the runs that went wrong,
the second takes what is estimated over the whole bench without them, so that
one spoiled run does not spoil the others.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from thermlab.campaign.folder import Campaign
from thermlab.campaign.runsheet import NOT_MADE, RunLine
from thermlab.campaign.settings import BenchSettings
from thermlab.logs.times import date_seconds, iso_time
from thermlab.runs.checks.between import check_between, check_readings
from thermlab.runs.checks.single import check_run
from thermlab.runs.checks.view import view_runs
from thermlab.runs.records import NO_LOG, TOO_SHORT, Array, Flags, ReducedRun, raise_flag
from thermlab.runs.settled_rise import Estimate, early_rises, end_reading, estimate_run, measure_rise, sensor_rises
from thermlab.runs.time_constant import COOLINGS, Approach, BenchTimeConstant, estimate_time_constant, speed_factors
from thermlab.runs.trace import Trace
from thermlab.stats.curves import RiseCurve, fit_curve
from thermlab.stats.variances import robust_sd

# Booleans that say a trace does not follow its approach: such a run must not enter
# what is estimated over the whole bench.
SHAPE_FLAGS = frozenset({"drift at constant power", "load step", "sensor stuck", "clock jump", "gap"})
NOT_FINISHED = "not finished"
LAG_ROUNDS = 3
# A lag off by this fraction changes a rise by less than 0.01 K at 1 K/h.
LAG_AGREES = 0.02
# Of the highest power: steps nearer to each other do not tell the curve.
STEPS_APART = 0.1
# The fast parts of a bench make the time constant of a single run uncertain (common practice, no source).
OWN_TIME_CONSTANT_U = 0.1


@dataclass(frozen=True, slots=True)
class BenchReduction:
    """Every run of a bench, reduced at its logged power.

    Attributes
    ----------
    settings : BenchSettings
        Cooling, measurand, limit and thresholds.
    time_constant : BenchTimeConstant or None
        None where the runs do not determine one.
    highest_power_W : float
        Power step the time constant refers to, W.
    estimates : tuple of Estimate
        One entry a trace.
    factors : dict of str to float
        Time constant of each treatment over that of the bench, where treatments differ in it; else empty.
    """

    settings: BenchSettings
    time_constant: BenchTimeConstant | None
    highest_power_W: float
    estimates: tuple[Estimate, ...] = ()
    factors: dict[str, float] = field(default_factory=dict)

    @property
    def time_constant_s(self) -> float | None:
        """Time constant at the highest power step, s."""
        return None if self.time_constant is None else self.time_constant.time_constant_s

    def constant_of(self, trace: Trace) -> BenchTimeConstant | None:
        """Return the time constant of a run at its power and with its treatment; None where the bench has none."""
        scale = (trace.set_power_W / self.highest_power_W) ** COOLINGS[self.settings.cooling].exponent
        constant = self.time_constant
        return None if constant is None else constant.times(scale * self.factors.get(trace.treatment, 1.0))


@dataclass(frozen=True, slots=True)
class RunTrace:
    """One run as a picture shows it.

    Attributes
    ----------
    run : str
        Which run.
    time_min, rise_K : ndarray, shape (b,)
        Block means: minutes since the soak began, rise over the lagged room.
    fitted_time_min, fitted_rise_K : ndarray
        The fitted approach; empty where there is none.
    window_min : tuple of float or None
        Where the settled rise was fitted.
    """

    run: str
    time_min: Array
    rise_K: Array
    fitted_time_min: Array
    fitted_rise_K: Array
    window_min: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class SettledRuns:
    """All runs of a campaign, reduced.

    Attributes
    ----------
    runs : tuple of ReducedRun
        In the order made.
    traces : tuple of RunTrace
        Those with readings, in the same order.
    bench : BenchReduction
        Time constant and estimates, by position among the runs with readings.
    curve : RiseCurve or None
        Rise curve of the bench, used for the correction to set power.
    early_s : float
        How long after the load comes on the early rise is read, s.
    """

    runs: tuple[ReducedRun, ...]
    traces: tuple[RunTrace, ...]
    bench: BenchReduction
    curve: RiseCurve | None
    early_s: float


def settle_runs(campaign: Campaign, traces: Sequence[Trace | None]) -> SettledRuns:
    """Reduce all runs of a campaign.

    Parameters
    ----------
    campaign : Campaign
        Settings and run sheet.
    traces : sequence of Trace or None
        One entry a line of the run sheet.

    Returns
    -------
    SettledRuns
    """
    lines = order_made(campaign.runs, traces)
    have = [(line, trace) for line, trace in lines if trace is not None]
    found = [trace for _, trace in have]
    settings = campaign.settings
    excluded = {i for i, (line, trace) in enumerate(have) if line.exclude or not trace.finished}
    bench = reduce_bench(found, settings, leave_out=excluded)
    shared = check_readings(bench.estimates, settings.checks, excluded)
    flags = _joined(check_runs(bench), shared)
    disturbed = excluded | {i for i, run_flags in enumerate(flags) if _disturbed(run_flags)}
    if disturbed - excluded and len(disturbed) <= len(found) // 2:
        bench = reduce_bench(found, settings, leave_out=disturbed, near_s=bench.time_constant_s)
        flags = _joined(check_runs(bench), shared)
    curve = _curve(bench, flags, excluded) or _curve_of_readings(campaign.runs, settings)
    early_s, early = early_rises(bench.estimates, bench.time_constant_s, settings)
    made = iter(zip(bench.estimates, flags, early, strict=True))
    runs = []
    for order, (line, trace) in enumerate(lines):
        if trace is None:
            runs.append(run_by_hand(line, order, settings, curve) if line.is_reading else unread_run(line, order))
            continue
        estimate, own_flags, own = next(made)
        runs.append(replace(reduced_run(line, order, estimate, own_flags, bench, curve), **own))
    checked = check_between(tuple(runs), bench.estimates, settings.checks)
    return SettledRuns(checked, tuple(map(_picture, bench.estimates)), bench, curve, early_s)


def order_made(lines: Sequence[RunLine], traces: Sequence[Trace | None]) -> list[tuple[RunLine, Trace | None]]:
    """Put runs into the order in which they were made: by start where all have a date or one log, else by line.

    Runs that are not made yet come last.

    Parameters
    ----------
    lines : sequence of RunLine
        Run sheet.
    traces : sequence of Trace or None
        Same length.

    Returns
    -------
    list of (RunLine, Trace or None)
    """
    pairs = list(zip(lines, traces, strict=True))
    one_log = len({line.log for line in lines if line.exclude != NOT_MADE}) == 1
    made_s = [_made_s(line, trace, one_log=one_log) for line, trace in pairs]
    known = [seconds for seconds in made_s if seconds is not None]
    if len(known) < len(pairs):
        return pairs
    return [pair for _, pair in sorted(zip(known, pairs, strict=True), key=lambda both: both[0])]


def _made_s(line: RunLine, trace: Trace | None, *, one_log: bool) -> float | None:
    """When a run was made, s on the clock that the runs share; None where that is not known."""
    if trace is not None and (trace.clock == "calendar" or one_log):
        return trace.began_s
    if line.exclude == NOT_MADE:
        return np.inf
    return date_seconds(line.started)


def check_runs(bench: BenchReduction) -> list[Flags]:
    """Run every single-run check on the runs of a bench; one tuple of flags for each."""
    return [check_run(view) for view in view_runs(bench.estimates, bench.settings)]


def _joined(own: list[Flags], shared: list[Flags]) -> list[Flags]:
    return [first + second for first, second in zip(own, shared, strict=True)]


def _disturbed(flags: Flags) -> bool:
    return any(f.severity == "unusable" or (f.severity == "doubtful" and f.flag in SHAPE_FLAGS) for f in flags)


def _too_short(flags: Flags, soak_s: float, bench: BenchReduction) -> bool:
    """Whether a settled rise is extrapolated from a soak below what is trusted, by the time constant of the bench.

    At its lower steps a passive bench is slower: by the time constant of each run, soaks of two of the bench's would
    lose them (simulated: a fifth of the runs), although their settled rises are right.
    """
    trusted_s = bench.settings.checks.trusted_soak_time_constants * (bench.time_constant_s or 0.0)
    return soak_s < trusted_s and any(flag.flag == "not settled" for flag in flags)


def _curve(bench: BenchReduction, flags: Sequence[Flags], excluded: set[int]) -> RiseCurve | None:
    powers, rises = [], []
    for i, (estimate, own) in enumerate(zip(bench.estimates, flags, strict=True)):
        spoiled = any(f.severity == "unusable" for f in own) or _too_short(own, estimate.trace.soak_s, bench)
        if i not in excluded and estimate.level_K is not None and not spoiled:
            powers.append(estimate.power_W if np.isfinite(estimate.power_W) else estimate.trace.set_power_W)
            rises.append(estimate.level_K)
    return bench_curve(powers, rises, cooling=bench.settings.cooling)


def _as_planned(line: RunLine, order: int) -> dict[str, Any]:
    """Return what the run sheet says of a run, and its place in the order."""
    said = ("run", "treatment", "mount", "set_power_W", "lot", "condition", "note")
    return {name: getattr(line, name) for name in said} | {"order": order}


def unread_run(line: RunLine, order: int) -> ReducedRun:
    """Stand-in for an excluded run whose log is missing."""
    return ReducedRun(**_as_planned(line, order), used=False, reason=line.exclude)


def run_by_hand(line: RunLine, order: int, settings: BenchSettings, curve: RiseCurve | None) -> ReducedRun:
    """Take a reading without a log as it stands, less the room; its uncertainty is of Type B alone."""
    room_C, reading_C = _room_by_hand(line, settings), line.reading_C or 0.0
    reason = (
        f"A reading of {reading_C:g} degC in a room of {room_C:g} degC, written down by hand: nothing shows that "
        "it had settled, nor what power and room did meanwhile."
    )
    flags = [replace(NO_LOG, reason=reason)]
    if settings.limit_C is not None and reading_C >= settings.limit_C - settings.checks.shed_limit_K:
        reason = f"The reading is at the limit of {settings.limit_C:g} degC: whether power was shed nobody can tell."
        flags.append(raise_flag("shed power at limit", "unusable", reason, reading_C=reading_C))
    excluded = line.exclude or "; ".join(flag.flag for flag in flags if flag.severity == "unusable")
    slope = 0.0 if curve is None else curve.slope_K_per_W(line.set_power_W)
    return ReducedRun(
        **_as_planned(line, order),
        ambient_C=room_C,
        rise_K=reading_C - room_C,
        u_rise_K=_combined_u(line, slope, settings, settings.uncertainty.temperature_resolution_K, None),
        end_reading_C=reading_C,
        end_rise_K=reading_C - room_C,
        start=line.started or None,
        flags=tuple(flags),
        used=not excluded,
        reason=excluded,
    )


def _room_by_hand(line: RunLine, settings: BenchSettings) -> float:
    constant = settings.ambient_constant
    return line.room_C if line.room_C is not None else constant.value_C if constant is not None else float("nan")


def _curve_of_readings(lines: Sequence[RunLine], settings: BenchSettings) -> RiseCurve | None:
    """Fit the rise curve of a bench that has readings without logs only."""
    used = [line for line in lines if line.is_reading and not line.exclude]
    rises = [(line.reading_C or 0.0) - _room_by_hand(line, settings) for line in used]
    return bench_curve([line.set_power_W for line in used], rises, cooling=settings.cooling)


def reduced_run(
    line: RunLine, order: int, estimate: Estimate, flags: Flags, bench: BenchReduction, curve: RiseCurve | None
) -> ReducedRun:
    """Put a run at its set power, with its combined uncertainty, its flags and whether it is used."""
    trace, settings = estimate.trace, bench.settings
    slope = curve.slope_K_per_W(line.set_power_W) if curve is not None else 0.0
    ends_s = trace.began_s, trace.began_s + trace.time_s[-1]
    begun, ended = (iso_time(at_s, settings.how_read.time, like=line.start) for at_s in ends_s)
    rise = None
    if estimate.level_K is not None and not estimate.shed and np.isfinite(estimate.power_W):
        rise = estimate.level_K + slope * (line.set_power_W - estimate.power_W)
    # Noise of less than 0.3 of a step leaves a mean biased by up to 0.29 of it; more noise dithers it away.
    dithered = estimate.noise_K >= settings.checks.coarse_noise_ratio * max(estimate.readout_K, 0.0)
    biasing_K = 0.0 if dithered else estimate.readout_K
    reasons = (
        line.exclude,
        "" if trace.finished else NOT_FINISHED,
        "; ".join(flag.flag for flag in flags if flag.severity == "unusable"),
        TOO_SHORT if _too_short(flags, trace.soak_s, bench) else "",
        "no settled rise" if rise is None else "",
    )
    reason = next(filter(None, reasons), "")
    return ReducedRun(
        **_as_planned(line, order),
        **end_reading(trace),
        power_W=_finite(estimate.power_W),
        ambient_C=_finite(estimate.ambient_mean_C),
        rise_K=rise,
        u_rise_K=None if rise is None else _combined_u(line, slope, settings, biasing_K, estimate.u_a_K),
        u_rise_a_K=None if rise is None else estimate.u_a_K,
        drift_left_K=estimate.left_K if rise is not None else None,
        sensor=estimate.sensor,
        soak_min=trace.soak_s / 60.0,
        settled=None if estimate.shed else estimate.settled,
        start=line.started if line.started and trace.clock != "calendar" else begun,
        end=ended,
        sensors=sensor_rises(estimate, rise),
        flags=flags,
        used=not reason,
        reason=reason,
        held=None if line.exclude else estimate.held,
        window_min=(estimate.window_s[0] / 60.0, estimate.window_s[1] / 60.0),
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _combined_u(line: RunLine, slope: float, settings: BenchSettings, step_K: float, u_a_K: float | None) -> float:
    """Combined standard uncertainty of a rise, k = 1 (JCGM 100:2008, 5.1.2), with a readout rounded to a step."""
    inputs = settings.uncertainty
    power_K = slope * line.set_power_W * inputs.power_u_percent / 100.0
    rounded_K = step_K / np.sqrt(12.0)  # uniform, JCGM 100:2008, F.2.2.1
    return float(np.linalg.norm((u_a_K or 0.0, inputs.temperature_u_K, settings.ambient_u_K, power_K, rounded_K)))


def _picture(estimate: Estimate) -> RunTrace:
    (from_s, end_s), time_min = estimate.window_s, estimate.time_s / 60.0
    window_min = None if estimate.level_K is None else (from_s / 60.0, end_s / 60.0)
    fitted, late = estimate.fitted_K, estimate.time_s >= 0.5 * from_s
    drawn = (time_min[:0], time_min[:0]) if fitted is None else (time_min[late], fitted[late])
    return RunTrace(estimate.trace.run, time_min, estimate.rise_K, *drawn, window_min)


def reduce_bench(
    traces: Sequence[Trace], settings: BenchSettings, *, leave_out: Collection[int] = (), near_s: float | None = None
) -> BenchReduction:
    """Reduce all runs of a bench.

    Parameters
    ----------
    traces : sequence of Trace
        All runs of the campaign that have readings.
    settings : BenchSettings
        Cooling, which says how the time constant depends on power, measurand, limit and thresholds.
    leave_out : collection of int
        Positions of runs that must not enter the time constant.
    near_s : float, optional
        A time constant to start from, s.

    Returns
    -------
    BenchReduction
    """
    cooling = COOLINGS[settings.cooling]
    highest = max((trace.set_power_W for trace in traces), default=1.0)
    held = [i for i, trace in enumerate(traces) if i not in leave_out and not _sheds(trace, settings)]
    for _ in range(LAG_ROUNDS):
        scales = {i: (traces[i].set_power_W / highest) ** cooling.exponent for i in held}
        found = {i: _approach(traces[i], near_s, scale, settings) for i, scale in scales.items()}
        # Nothing is left where neither the room nor its history is known, or the sensor never.
        found = {i: approach for i, approach in found.items() if approach.time_s.size}
        constant = estimate_time_constant(list(found.values()), slow_from=cooling.slow_from, guess_s=near_s)
        if constant is None or (near_s is not None and abs(constant.time_constant_s / near_s - 1) < LAG_AGREES):
            break
        near_s = constant.time_constant_s
    factors: dict[str, float] = {}
    if constant is not None:
        groups = [traces[i].treatment for i in found]
        factors = speed_factors(list(found.values()), groups, constant, slow_from=cooling.slow_from)
    return reduce_runs(BenchReduction(settings, constant, highest, factors=factors), traces)


def reduce_runs(bench: BenchReduction, traces: Sequence[Trace]) -> BenchReduction:
    """Reduce runs on a bench whose time constant is known, whatever runs it has been found from.

    Parameters
    ----------
    bench : BenchReduction
        What is known of it.
    traces : sequence of Trace
        The runs.

    Returns
    -------
    BenchReduction
        With these runs.
    """
    made = (estimate_run(trace, bench.constant_of(trace), bench.settings) for trace in traces)
    return replace(bench, estimates=tuple(made))


def estimate_under_way(trace: Trace, settings: BenchSettings, known: BenchReduction | None) -> Estimate:
    """Reduce a run that is not finished yet.

    Parameters
    ----------
    trace : Trace
        The run as far as it is.
    settings : BenchSettings
        Cooling, measurand, limit and thresholds.
    known : BenchReduction or None
        The finished runs; without a time constant of theirs the run itself has to give one, at best within 10 %, and
        not before its soak is four of them long, 32 min on a passive bench and 4 min with fans.

    Returns
    -------
    Estimate
        Without a time constant where neither source has one.
    """
    constant = None if known is None else known.constant_of(trace)
    if constant is not None:
        return estimate_run(trace, constant, settings)
    cooling, near_s = COOLINGS[settings.cooling], None
    for _ in range(LAG_ROUNDS):
        approach = _approach(trace, near_s, 1.0, settings)
        # The fast start of a run, die and spreader, looks like a whole approach until the sink's own shows.
        start = {"slow_from": cooling.slow_from, "least_s": cooling.least_s}
        constant = estimate_time_constant([approach], guess_s=near_s, **start)
        if constant is None:
            break
        near_s = constant.time_constant_s
    return estimate_run(trace, None if constant is None else own_time_constant(constant), settings)


def own_time_constant(constant: BenchTimeConstant) -> BenchTimeConstant:
    """Return a time constant found from one or two runs alone, with the uncertainty that it has at least."""
    u_tau_s = max(constant.u_time_constant_s, OWN_TIME_CONSTANT_U * constant.time_constant_s)
    return replace(constant, u_time_constant_s=u_tau_s)


def _sheds(trace: Trace, settings: BenchSettings) -> bool:
    """Whether the device was at its limit with power below set for any twentieth of the soak."""
    if settings.limit_C is None:
        return False
    below = trace.power_W < (1 - settings.checks.shed_power_percent / 100.0) * trace.set_power_W
    if not below.mean() > 0.05:
        return False
    at_limit = trace.hottest_C >= settings.limit_C - settings.checks.shed_limit_K
    return bool((below & at_limit).mean() > 0.05)


def _approach(trace: Trace, bench_s: float | None, scale: float, settings: BenchSettings) -> Approach:
    found = measure_rise(trace, None if bench_s is None else bench_s * scale, settings)
    return Approach(found.time_s, found.rise_K, scale, COOLINGS[settings.cooling].curvature)


def bench_curve(powers_W: Sequence[float], rises_K: Sequence[float], *, cooling: str) -> RiseCurve | None:
    """Fit the rise curve of the whole bench, used for small corrections in power.

    Parameters
    ----------
    powers_W, rises_K : sequence of float
        Logged power and settled rise of the runs that may be used.
    cooling : {"passive", "forced"}
        Decides the slope where there is a single power step.

    Returns
    -------
    RiseCurve or None
        None without any run.
    """
    if not powers_W:
        return None
    powers, rises = np.asarray(powers_W, dtype=np.float64), np.asarray(rises_K, dtype=np.float64)
    if np.ptp(powers) > STEPS_APART * powers.max():
        for _ in range(2):
            curve = fit_curve(powers, rises)
            residual = rises - np.array([curve.rise_K(p) for p in powers])
            keep = np.abs(residual) <= max(4.0 * robust_sd(residual, about=0.0), 0.5)
            if keep.all() or np.ptp(powers[keep]) <= STEPS_APART * powers.max():
                break
            powers, rises = powers[keep], rises[keep]
        return curve
    return curve_through(float(powers.mean()), float(np.median(rises)), share=COOLINGS[cooling].single_step_slope)


def curve_through(power_W: float, rise_K: float, *, share: float) -> RiseCurve:
    """Return the curve b P + a P^0.8 through one rise whose slope there is `share` of rise over power."""
    b = (share - 0.8) / 0.2 * rise_K / power_W
    return RiseCurve(b_K_per_W=b, a=(rise_K - b * power_W) / power_W**0.8, lowest_W=power_W, highest_W=power_W)
