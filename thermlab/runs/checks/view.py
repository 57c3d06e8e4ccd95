"""What each run's checks may look at: the run, its departures from its approach, and what is usual on its bench."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from thermlab.campaign.settings import BenchSettings
from thermlab.runs.records import Array, Booleans
from thermlab.runs.settled_rise import Estimate, reading_noise
from thermlab.runs.time_constant import COOLINGS, decay, straighten
from thermlab.runs.trace import Trace
from thermlab.stats.variances import autocorrelation

LEAST_DITHER = 0.05
LATE = 0.2
FEWEST_FOR_USUAL = 5
FEWEST_IN_COMMON = 3
MOST_IN_COMMON = 15
FEWEST_BLOCKS = 20
LEAST_DEPARTURE_K = 0.15
# No bench approaches as an exponential to the last per cent: departure of a passive one from cold, and what looks like
# a shift with fans, where device and sink settle about as fast (simulated).
DEPARTURE_SHARE, FORCED_MISFIT_SHARE = 0.015, 0.01
# Few runs do not show what is usual: their own noise, smoothed, passes for a departure up to this many of its standard
# deviations, of which `drift_departure_ratio` asks for 2.2 times as many (simulated).
NOISE_OF_FEW = 2.0
LARGEST_VARIANCE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """How a run departs from its approach, and what is usual on this bench.

    Attributes
    ----------
    bend_K : float
        Shift of the rise, from one instant on, that fits best, as seen at the end of the soak, K.
    bend_at_min : float
        That instant, minutes since the soak began.
    seen_K : float
        How far, peak to peak, it takes the rise from the plain approach, K.
    leverage : float
        Sum of squares of its shape: its variance is that of one value over this.
    departure_K : float
        Largest smoothed departure from the plain approach, K.
    u_departure_K : float
        Standard deviation of the smoothed rise by noise alone, K.
    variance_K2 : float
        Variance of a block mean about the approach with the shift, inflated for correlation.
    approach_K : float
        How far the plain approach goes within the window, K.
    usual_variance_K2, usual_departure_K : float
        Medians over the runs of those two numbers.
    misfit_K : float
        What the bench's own approach may look like a shift by, K.
    of_few : bool
        Whether the bench has too few runs to tell what is usual on it.
    """

    bend_K: float
    bend_at_min: float
    seen_K: float
    leverage: float
    departure_K: float
    u_departure_K: float
    variance_K2: float
    approach_K: float
    usual_variance_K2: float = 0.0
    usual_departure_K: float = 0.0
    misfit_K: float = 0.0
    of_few: bool = False

    @property
    def u_bend_K(self) -> float:
        """Standard uncertainty of the shift, K."""
        # A disturbance of another shape adds to the run's own variance and must not hide itself.
        most = LARGEST_VARIANCE * self.usual_variance_K2
        variance = min(max(self.usual_variance_K2, self.variance_K2), most)
        return float(np.sqrt(variance / max(self.leverage, 1e-9) + self.misfit_K**2))


@dataclass(frozen=True, slots=True)
class _Residual:
    """What a plain approach leaves of a run within the slow part of its soak, at its power."""

    power_W: float
    time_s: Array
    left_K: Array
    basis: Array
    tau_s: float
    approach_K: float


def describe_departures(estimates: Sequence[Estimate], cooling: str) -> list[tuple[Departure, ...]]:
    """Compare every run with a plain approach to its settled rise.

    What runs at one power have in common is the bench's, not the run's: an
    approach is never exactly an exponential. So the median of what the other
    runs of the same power leave is taken off first, where there are three.
    The mean of all sensors is looked at as well: it has less noise, and what
    goes wrong with the bench moves them all.

    Parameters
    ----------
    estimates : sequence of Estimate
        The runs of a bench.
    cooling : {"passive", "forced"}
        Where the slow approach begins, and how it is bent.

    Returns
    -------
    list of tuple of Departure
        Empty without a time constant or with fewer than 20 blocks.
    """
    series = [[(e.time_s, e.rise_K) for e in estimates]]
    if any(len(e.trace.sensors) > 1 for e in estimates):
        series.append([_mean_rise(e) for e in estimates])
    departures: list[list[Departure]] = [[] for _ in estimates]
    for rises in series:
        shapes = _shapes_of([_residual(*rise, e, cooling) for rise, e in zip(rises, estimates, strict=True)])
        known = [s for s, e in zip(shapes, estimates, strict=True) if s is not None and not e.shed]
        if not known:
            continue
        variance = float(np.median([s.variance_K2 for s in known]))
        usual = float(np.median([s.departure_K for s in known]))
        for mine, shape in zip(departures, shapes, strict=True):
            if shape is None:
                continue
            few = len(known) <= FEWEST_IN_COMMON
            if few:
                of_bench = max(LEAST_DEPARTURE_K, DEPARTURE_SHARE * shape.approach_K)
                usual = float(np.hypot(of_bench, NOISE_OF_FEW * shape.u_departure_K))
            misfit = FORCED_MISFIT_SHARE * shape.approach_K if cooling == "forced" else 0.0
            known_of_bench = {"usual_variance_K2": variance, "usual_departure_K": usual, "misfit_K": misfit}
            mine.append(replace(shape, **known_of_bench, of_few=few))
    return [tuple(mine) for mine in departures]


def _mean_rise(estimate: Estimate) -> tuple[Array, Array]:
    """Mean of all sensors less the room as the sink feels it, where all are known."""
    blocks = estimate.trace.blocks
    at = np.searchsorted(blocks.time_s, estimate.time_s).clip(max=max(blocks.time_s.size - 1, 0))
    rise = blocks.temperature_C[at].mean(axis=1) - estimate.ambient_C
    known = ~np.isnan(rise)
    return estimate.time_s[known], rise[known]


def _shapes_of(residuals: Sequence[_Residual | None]) -> list[Departure | None]:
    shapes: list[Departure | None] = []
    for mine in residuals:
        if mine is None:
            shapes.append(None)
            continue
        same = [other for other in residuals if other and other is not mine and other.power_W == mine.power_W]
        left = mine.left_K
        if len(same) >= FEWEST_IN_COMMON:
            few = same[:: -(-len(same) // MOST_IN_COMMON)]
            common = np.median([np.interp(mine.time_s, other.time_s, other.left_K) for other in few], axis=0)
            left = left - (common - mine.basis @ (mine.basis.T @ common))
        shapes.append(_shape(mine, left))
    return shapes


def _residual(time_s: Array, rise_K: Array, estimate: Estimate, cooling: str) -> _Residual | None:
    tau_s = estimate.time_constant_s
    if tau_s is None:
        return None
    inside = time_s >= COOLINGS[cooling].slow_from * tau_s
    if inside.sum() < FEWEST_BLOCKS:
        return None
    t = time_s[inside]
    # Where the steps come in any order the runs of one power begin far below or above it, each from elsewhere: the
    # bend of natural convection, which goes with the square of that, is then not what they have in common.
    y = straighten(t, rise_K[inside], tau_s, end_s=float(t[-1]), curvature=COOLINGS[cooling].curvature)
    basis, _ = np.linalg.qr(np.column_stack([np.ones(t.size), decay(t, tau_s, end_s=float(t[-1]))]))
    plain = basis @ (basis.T @ y)
    return _Residual(estimate.trace.set_power_W, t, y - plain, basis, tau_s, float(abs(plain[-1] - plain[0])))


def _shape(mine: _Residual, r: Array) -> Departure:
    t, tau, q = mine.time_s, mine.tau_s, mine.basis
    wide = max(3, int(0.12 * tau / max(float(np.median(np.diff(t))), 1e-9)))
    wide = min(wide, t.size // 4)
    smooth = np.convolve(r, np.ones(wide) / wide, mode="valid")
    shapes, at = _shifts(t, tau)
    shapes = shapes - (shapes @ q) @ q.T
    sizes = np.einsum("gt,gt->g", shapes, shapes)
    usable = sizes > 1e-4 * t.size
    coefficients = np.where(usable, (shapes @ r) / np.maximum(sizes, 1e-12), 0.0)
    best = int(np.argmax(coefficients**2 * sizes))
    bend = coefficients[best] * shapes[best]
    left = r - bend
    r1 = autocorrelation(left, most=0.9)
    variance = float(left @ left) / max(1.0, t.size - 4.0) * (1 + r1) / (1 - r1)
    return Departure(
        bend_K=float(coefficients[best]),
        bend_at_min=float(at[best]) / 60.0,
        seen_K=float(np.ptp(bend)),
        leverage=float(sizes[best]),
        departure_K=float(np.abs(smooth).max()),
        u_departure_K=float(np.sqrt(variance / wide)),
        variance_K2=variance,
        approach_K=mine.approach_K,
    )


def _shifts(t: Array, tau: float) -> tuple[Array, Array]:
    """Shapes of a change at one of 24 instants, each 1 at the end: a slow approach to it, or within a minute."""
    span = float(t[-1] - t[0])
    begins = np.repeat(t[0] + np.linspace(0.08, 0.88, 24) * span, 2)
    after = np.maximum(t[None, :] - begins[:, None], 0.0)
    slow = (np.arange(begins.size) % 2 == 0)[:, None]
    shapes = np.where(slow, 1.0 - np.exp(-after / tau), np.minimum(after / (0.08 * tau), 1.0))
    return shapes / np.maximum(shapes[:, -1:], 1e-9), begins


class Still(NamedTuple):
    """The longest stretch without any change: its first and last row, and how long it lasts, s."""

    begin: int
    end: int
    lasted_s: float


Stills = tuple[Still, ...]


@dataclass(frozen=True, slots=True)
class Usual:
    """What is usual on a bench.

    Attributes
    ----------
    soak_s : float or None
        Declared soak, else the median of the runs, s.
    power_ratio : float
        Median over the runs of logged over set power.
    noise_K, readout_K : float
        Medians over the runs of the noise at the end and of the step of the readings, K.
    sensor_still_s, all_still_s, room_still_s : float
        For how long a sensor, all of them at once and the room usually stand still in a run, s; infinite where that is
        not known.
    """

    soak_s: float | None
    power_ratio: float
    noise_K: float
    readout_K: float
    sensor_still_s: float
    all_still_s: float
    room_still_s: float


@dataclass(frozen=True, slots=True)
class RunView:
    """Everything a check may look at.

    Attributes
    ----------
    estimate : Estimate
        What was made of the readings, with them.
    settings : BenchSettings
        Thresholds in use, and what is declared of the room.
    usual : Usual
        What is usual on its bench.
    departures : tuple of Departure
        How the run departs from its approach: its sensor, and the mean of all where there are several.
    late_noise_K : float
        Noise of the readings at the end of the soak, K; NaN where not known.
    stills : tuple of Still
        Where its readings stand still for longest: each sensor, all of them at once, the room.
    """

    estimate: Estimate
    settings: BenchSettings
    usual: Usual
    departures: tuple[Departure, ...]
    late_noise_K: float
    stills: Stills

    @property
    def trace(self) -> Trace:
        """Readings of the run."""
        return self.estimate.trace

    def when(self, time_s: float) -> str:
        """Say when it was, in minutes of the soak and by the clock of the log where that is one."""
        minute = f"minute {time_s / 60.0:.1f}"
        if self.trace.clock == "elapsed":
            return minute
        of_day = int((self.trace.began_s + time_s) // 60.0) % 1440
        # Times with an offset are kept as UTC.
        log = getattr(self.settings, "log", None)
        zone = " UTC" if log is not None and "%z" in (log.time.format or "") else ""
        return f"{minute} ({of_day // 60:02d}:{of_day % 60:02d}{zone})"

    def per_watt_K(self) -> float:
        """Return about how much the settled rise moves with the power, K/W; 0 without a rise."""
        level_K, power_W = self.estimate.level_K, self.estimate.power_W
        share = COOLINGS[self.settings.cooling].single_step_slope
        return share * level_K / power_W if level_K is not None and power_W > 0.0 else 0.0

    @property
    def soaked_as_planned(self) -> bool:
        """Whether it had the soak of its bench: what that leaves is said once for the bench, not on every run."""
        tolerance_s, wanted_s = self.settings.checks.soak_tolerance_s, self.usual.soak_s
        return wanted_s is not None and self.trace.soak_s >= wanted_s - tolerance_s

    @property
    def coarser(self) -> bool:
        """Whether it was read in coarser steps than the other runs."""
        return self.estimate.readout_K > 1.5 * self.usual.readout_K > 0


def rounding_bias_K(step_K: float, noise_K: float) -> float:
    """Tell how far the mean of rounded readings can be off.

    Parameters
    ----------
    step_K, noise_K : float
        Step of the readout and standard deviation of the noise before rounding, K.

    Returns
    -------
    float
        ``exp(-2 pi^2 s^2) / pi`` steps with a noise of s steps (first term of the series of Widrow & Kollar, from
        memory), half a step where there is next to none, K.
    """
    if step_K <= 0:
        return 0.0
    noise = noise_K / step_K
    return step_K * (0.5 if noise < LEAST_DITHER else float(np.exp(-2.0 * (np.pi * noise) ** 2)) / np.pi)


def view_runs(estimates: Sequence[Estimate], settings: BenchSettings) -> list[RunView]:
    """Prepare the checks of all runs of a bench.

    Parameters
    ----------
    estimates : sequence of Estimate
        The runs.
    settings : BenchSettings
        Thresholds, and what is declared of soak, readout and room.

    Returns
    -------
    list of RunView
    """
    noises = [reading_noise(e.trace, e.sensor, from_s=(1.0 - LATE) * e.trace.time_s[-1]) for e in estimates]
    stills = [stand_still(e.trace) for e in estimates]
    usual = _usual(estimates, settings, noises, stills)
    seen = zip(estimates, describe_departures(estimates, settings.cooling), noises, stills, strict=True)
    return [RunView(e, settings, usual, departed, noise, still) for e, departed, noise, still in seen]


def _usual(
    estimates: Sequence[Estimate], settings: BenchSettings, noises_K: Sequence[float], stills: Sequence[Stills]
) -> Usual:
    """Tell what is usual on a bench by the medians of its runs; of standing still the 0.8 quantile of five or more."""
    ratios = [e.power_W / e.trace.set_power_W for e in estimates if not e.shed]
    ratios = [ratio for ratio in ratios if 0.85 < ratio < 1.15]
    soak_s = _median([e.trace.soak_s for e in estimates], 3)
    spans = [(max(s.lasted_s for s in each), every.lasted_s, room.lasted_s) for *each, every, room in stills]
    long = len(spans) >= FEWEST_FOR_USUAL
    resolution_K = settings.uncertainty.temperature_resolution_K
    return Usual(
        soak_s if settings.soak is None else 60.0 * settings.soak.minutes,
        _median(ratios, 3) or 1.0,
        _median([noise for noise in noises_K if np.isfinite(noise)]) or 0.0,
        _median([e.readout_K for e in estimates if e.readout_K > 0]) or resolution_K,
        *(np.maximum(np.quantile(spans, 0.8, axis=0), 60.0).tolist() if long else [np.inf] * 3),
    )


def _median(values: Sequence[float], fewest: int = 1) -> float | None:
    return float(np.median(values)) if len(values) >= fewest else None


def stand_still(trace: Trace) -> Stills:
    """Find where each sensor, all at once and the room stand still for longest; a missing reading breaks a stretch."""
    moved = np.diff(trace.temperature_C, axis=0) != 0
    both_missing = np.isnan(trace.temperature_C[1:]) & np.isnan(trace.temperature_C[:-1])
    together = (moved & ~both_missing).any(axis=1)
    return tuple(longest_still(trace.time_s, one) for one in (*moved.T, together, np.diff(trace.ambient_C) != 0))


def longest_still(time_s: Array, changed: Booleans) -> Still:
    """Return the longest stretch; `changed` says of each reading but the first whether it is another than before."""
    edges = np.concatenate([[-1], np.flatnonzero(changed), [changed.size]])
    widest = int(np.argmax(np.diff(edges)))
    begin, end = int(edges[widest]) + 1, int(edges[widest + 1])
    return Still(begin, end, float(time_s[end] - time_s[begin]))
