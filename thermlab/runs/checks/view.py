"""What each run's checks may look at: the run itself, and what is usual on its bench."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermlab.runs.checks.shape import Departure, describe_departures
from thermlab.runs.settled_rise import reading_noise
from thermlab.runs.time_constant import SINGLE_STEP_SLOPE, SLOW_FROM

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.campaign.settings import BenchSettings
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Blocks, Trace

Array = npt.NDArray[np.float64]

LEAST_DITHER = 0.05
LATE = 0.2
FEWEST_FOR_USUAL = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualStill:
    """For how long readings usually stand still in a run of this bench, s; infinite where that is not known."""

    sensor_s: float
    all_sensors_s: float
    room_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """Everything a check may look at.

    Attributes
    ----------
    trace, blocks, estimate : Trace, Blocks, Estimate
        Readings, their block means and what was made of them.
    settings : BenchSettings
        Thresholds in use, and what is declared of the room.
    soak_wanted_s : float or None
        Declared soak, else the median of the runs, s.
    power_ratio : float
        Median over the runs of logged over set power.
    departures : tuple of Departure
        How the run departs from its approach: its sensor, and the mean of all where there are several.
    usual_noise_K, usual_readout_K : float
        Medians over the runs of the noise at the end and of the step of the readings, K.
    late_noise_K : float
        Noise of the readings at the end of the soak, K; NaN where not known.
    usual_still : UsualStill
        For how long readings usually stand still in a run.
    """

    trace: Trace
    blocks: Blocks
    estimate: Estimate
    settings: BenchSettings
    soak_wanted_s: float | None
    power_ratio: float
    departures: tuple[Departure, ...]
    usual_noise_K: float
    usual_readout_K: float
    late_noise_K: float
    usual_still: UsualStill

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
        share = SINGLE_STEP_SLOPE[self.settings.cooling]
        return share * level_K / power_W if level_K is not None and power_W > 0.0 else 0.0

    @property
    def soaked_as_planned(self) -> bool:
        """Whether it had the soak of its bench: what that leaves is said once for the bench, not on every run."""
        tolerance_s = self.settings.checks.soak_tolerance_s
        return self.soak_wanted_s is not None and self.trace.soak_s >= self.soak_wanted_s - tolerance_s


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


def view_runs(
    traces: Sequence[Trace], blocks: Sequence[Blocks], estimates: Sequence[Estimate], settings: BenchSettings
) -> list[RunView]:
    """Prepare the checks of all runs of a bench.

    Parameters
    ----------
    traces, blocks, estimates : sequence
        The runs, their block means and what was made of them.
    settings : BenchSettings
        Thresholds, and what is declared of soak, readout and room.

    Returns
    -------
    list of RunView
    """
    wanted = None if settings.soak is None else 60.0 * settings.soak.minutes
    if wanted is None and len(traces) > 2:
        wanted = float(np.median([trace.soak_s for trace in traces]))
    ratios = [e.power_W / t.set_power_W for t, e in zip(traces, estimates, strict=True) if not e.shed]
    ratios = [ratio for ratio in ratios if np.isfinite(ratio) and 0.85 < ratio < 1.15]
    powers = [trace.set_power_W for trace in traces]
    departures = describe_departures(estimates, blocks, powers, slow_from=SLOW_FROM[settings.cooling])
    noises = [
        reading_noise(trace, e.sensor, from_s=(1.0 - LATE) * trace.time_s[-1])
        for trace, e in zip(traces, estimates, strict=True)
    ]
    known_noises = [noise for noise in noises if np.isfinite(noise)]
    readouts = [e.readout_K for e in estimates if e.readout_K > 0]
    still = usual_still(traces)
    return [
        RunView(
            trace=trace,
            blocks=block,
            estimate=estimate,
            settings=settings,
            soak_wanted_s=wanted,
            power_ratio=float(np.median(ratios)) if len(ratios) > 2 else 1.0,
            departures=departed,
            usual_noise_K=float(np.median(known_noises)) if known_noises else 0.0,
            usual_readout_K=float(np.median(readouts)) if readouts else settings.uncertainty.temperature_resolution_K,
            late_noise_K=noise,
            usual_still=still,
        )
        for trace, block, estimate, departed, noise in zip(traces, blocks, estimates, departures, noises, strict=True)
    ]


def longest_still(values: Array) -> tuple[int, int]:
    """First and last row of the longest stretch without any change; missing readings break it."""
    changed = np.r_[True, ~(np.diff(values) == 0), True]
    edges = np.flatnonzero(changed)
    widest = int(np.argmax(np.diff(edges)))
    return int(edges[widest]), int(edges[widest + 1]) - 1


def usual_still(traces: Sequence[Trace]) -> UsualStill:
    """How long a sensor, all sensors at once, and the room probe usually stand still in a run.

    Parameters
    ----------
    traces : sequence of Trace
        All runs of a bench.

    Returns
    -------
    UsualStill
        0.8 quantiles over the runs, at least a minute; infinite with fewer than five runs.
    """
    if len(traces) < FEWEST_FOR_USUAL:
        return UsualStill(sensor_s=np.inf, all_sensors_s=np.inf, room_s=np.inf)
    spans = [
        (
            max(still_s(trace, trace.temperature_C[:, i]) for i in range(len(trace.sensors))),
            still_s(trace, together_changed(trace)),
            still_s(trace, trace.ambient_C),
        )
        for trace in traces
    ]
    sensor, together, room = (max(float(np.quantile(found, 0.8)), 60.0) for found in zip(*spans, strict=True))
    return UsualStill(sensor_s=sensor, all_sensors_s=together, room_s=room)


def still_s(trace: Trace, values: Array) -> float:
    """Return how long a series stands still at most, s."""
    begin, end = longest_still(values)
    return float(trace.time_s[end] - trace.time_s[begin])


def together_changed(trace: Trace) -> Array:
    """A series that changes whenever any sensor does."""
    changed = (np.diff(np.nan_to_num(trace.temperature_C, nan=-1e3), axis=0) != 0).any(axis=1)
    series: Array = np.concatenate([[0.0], np.cumsum(changed, dtype=np.float64)])
    return series
