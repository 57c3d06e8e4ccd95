"""What a comparison found: plain records."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from thermlab.base.showing import Shown
from thermlab.runs.records import HeldPower

Interval = tuple[float, float]
Count = Annotated[int, Field(ge=0)]
Some = Annotated[int, Field(ge=1)]
Probability = Annotated[float, Field(ge=0, le=1)]
"""Types with limits are held to them where results are written or read."""
Variance = Literal["pooled", "welch"]
Verdict = Literal[
    "in doubt",
    "not replicated",
    "cooler by more than the margin",
    "warmer by more than the margin",
    "equivalent within the margin",
    "cooler",
    "warmer",
    "undecided",
]
Secondary = Literal["ladder mean", "upper steps", "series resistance", "offset-proof slope", "offset"]
State = Literal["nothing measured", "one mount each", "go on", "decide", "stop: out of reach"]


@dataclass(frozen=True, slots=True)
class Caution:
    """What a reader has to know, and where it is to be said.

    Attributes
    ----------
    text : str
        The sentence.
    about : str
        What it touches: ``comparison``, ``other estimands``, ``rise curve``, ``throttle power``, ``power meter``,
        ``campaign``, ``bench``, ``runs``, or the file that a note is on.
    weight : {"headline", "beside"}
        Before the answer, or where what it touches is shown.
    """

    text: str
    about: str
    weight: Literal["headline", "beside"] = "headline"


class Warned(Shown):
    """A result with what a reader has to know of it."""

    __slots__ = ()

    caution_list: tuple[Caution, ...]
    """Every caution, the gravest first: a field of each result."""

    @property
    def cautions(self) -> tuple[str, ...]:
        """The sentences of the cautions, the gravest first."""
        return tuple(caution.text for caution in self.caution_list)


@dataclass(frozen=True, slots=True, kw_only=True)
class MountSummary:
    """One mount as the comparison sees it.

    Attributes
    ----------
    treatment, mount : str
        Identity.
    order : int
        Place in the order of the mounts' first runs, from 0.
    n_runs : int
        Used runs.
    steps_W : tuple of float
        Power steps with a used run, W.
    rise_K : float or None
        The mount's rise at the reference power, K.
    """

    treatment: str
    mount: str
    order: int
    n_runs: int
    steps_W: tuple[float, ...]
    rise_K: float | None


@dataclass(frozen=True, slots=True)
class Kink:
    """A jump of the resistance between two neighbouring steps.

    Attributes
    ----------
    below_W, above_W : float
        The steps it lies between, W.
    jump_K_per_W : float
        Change of rise over power above it, K/W; negative: cooled better.
    standard_error_K_per_W : float
        Standard error of the jump, from the scatter of single runs, K/W.
    p_value : float
        Two-sided, adjusted for the number of places looked at.
    """

    below_W: float
    above_W: float
    jump_K_per_W: float
    standard_error_K_per_W: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LackOfFit:
    """F test of the rise curve on the step means.

    Attributes
    ----------
    F : float
        Mean square of the step means about the curve over that of single runs.
    dof1, dof2 : int
        Degrees of freedom of the two.
    p_value : float
        Chance of a larger F when the curve is right.
    largest_K : float
        Largest distance of a step mean from the curve, K: it, not F, says whether the misfit matters.
    kink : Kink or None
        The clearest jump between two steps, where one is shown.
    """

    F: float
    dof1: int
    dof2: int
    p_value: float
    largest_K: float
    kink: Kink | None


@dataclass(frozen=True, slots=True)
class SecondaryEffect:
    """A secondary estimand of one candidate.

    Attributes
    ----------
    estimand : str
        ``ladder mean``, ``upper steps``, ``series resistance``, ``offset-proof slope`` or ``offset``.
    treatment : str
        The candidate.
    difference : float or None
        Candidate minus baseline, in ``unit``.
    unit : {"K", "K/W"}
        Unit.
    interval : tuple of float or None
        Of this difference alone, by the variance method of the comparison.
    """

    estimand: Secondary
    treatment: str
    difference: float | None
    unit: Literal["K", "K/W"]
    interval: Interval | None


@dataclass(frozen=True, slots=True)
class OffsetTest:
    """Offset of one candidate against the baseline.

    Attributes
    ----------
    treatment : str
        The candidate.
    offset_K : float
        Intercept of its difference to the baseline at zero power, K.
    interval_K : tuple of float
        Its confidence interval, K.
    standard_error_K, dof : float
        Of the offset.
    p_value : float
        Two-sided t test.
    detectable_K : float
        Smallest true offset found with a power of 0.80 by this test, K.
    """

    treatment: str
    offset_K: float
    interval_K: Interval
    standard_error_K: float
    dof: float
    p_value: float
    detectable_K: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetCheck:
    """Check for an offset that does not grow with power.

    Attributes
    ----------
    level : {"between mounts", "within mounts"}
        What the offsets are judged by: the scatter of the mounts' own
        intercepts, or with one mount each the scatter of single runs.
    power : float
        Power for which ``detectable_K`` is stated.
    treatments : tuple of OffsetTest
        Every candidate for which it can be had.
    note : str
        What a clean result means.
    """

    level: Literal["between mounts", "within mounts"]
    power: float
    treatments: tuple[OffsetTest, ...]
    note: str


@dataclass(frozen=True, slots=True)
class Witness:
    """What the early rise, a nearly independent reading, says of a difference in the settled rise.

    Attributes
    ----------
    early_difference_K : float or None
        Difference of the early rises at the reference power, candidate minus baseline, K; a true difference of 1 K
        between interfaces reads about 0.82 to 0.96 K.
    interval_K : tuple of float or None
        Its interval, of this difference alone, K.
    agrees : bool or None
        True: both show the difference. False: they differ by more than chance, so it is not in the interface alone.
        None: the early rise cannot tell.
    says : str
        The same in words.
    """

    early_difference_K: float | None
    interval_K: Interval | None
    agrees: bool | None
    says: str


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do with a candidate in the workshop.

    Attributes
    ----------
    choice : {"keep", "switch", "stock"} or None
        Keep the baseline, take the candidate for everything, or have it in stock for builds above a power; None where
        something is missing.
    from_W : float or None
        The power above which it is worth its price, W; only with "stock".
    text : str
        The same in a sentence, with what it rests on or what is missing.
    """

    choice: Literal["keep", "switch", "stock"] | None
    from_W: float | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentComparison:
    """One candidate against the baseline.

    Attributes
    ----------
    treatment : str
        The candidate.
    n_mounts : int
        Its used mounts.
    mean_rise_K, difference_K : float or None
        Mean rise of its mounts at the reference power; the same less the baseline's, K. Negative: cooler.
    interval_K : tuple of float or None
        Interval of this difference alone, K.
    simultaneous_interval_K : tuple of float or None
        Interval that holds together with those of the other candidates: the headline, K.
    equivalence_interval_K : tuple of float or None
        ``D +- t(1 - alpha) SE``: two one-sided tests, K.
    welch_interval_K : tuple of float or None
        Interval of this difference alone with each treatment's own scatter, from two mounts each, K.
    p_value : float or None
        Step-down Dunnett (Holm under Welch); it never sets the verdict.
    equivalent : bool or None
        Whether the equivalence interval lies inside the margin.
    verdict : str
        What is shown.
    verdict_note : str
        What has to be added, or why there is no verdict.
    mounts_needed : int or None
        Mounts of each treatment in total to settle a difference of one margin; only where undecided.
    without_exclusions_K : float or None
        Difference with excluded runs put back, K; filled in by the analysis.
    matters_from_W : float or None
        Power from which the difference reaches the margin, W; None in doubt or without an interval.
    matters_interval_W : tuple or None
        The same at the two ends of the headline interval, W; an end is None where no difference is shown, or more
        than 20 % outside the steps used.
    matters_note : str
        Why one of these is None.
    witness : Witness or None
        What the early rises say of the difference.
    decision : Decision or None
        What to do with it in the workshop; filled in by the analysis.
    standard_error_K, dof, critical_value : float or None
        Standard error of the difference, its degrees of freedom, and the point of the headline interval.
    room_effect_K : tuple of float or None
        What the difference may lack because the two stood in different rooms, a range from or to 0 by which all its
        intervals are widened, K; None where that is at most a tenth of the margin.
    """

    treatment: str
    n_mounts: Count
    mean_rise_K: float | None
    difference_K: float | None
    interval_K: Interval | None = None
    simultaneous_interval_K: Interval | None = None
    equivalence_interval_K: Interval | None = None
    welch_interval_K: Interval | None = None
    p_value: Probability | None = None
    equivalent: bool | None = None
    verdict: Verdict = "not replicated"
    verdict_note: str = ""
    mounts_needed: Some | None = None
    without_exclusions_K: float | None = None
    matters_from_W: float | None = None
    matters_interval_W: tuple[float | None, float | None] | None = None
    matters_note: str = ""
    witness: Witness | None = None
    decision: Decision | None = None
    standard_error_K: float | None = None
    dof: float | None = None
    critical_value: float | None = None
    room_effect_K: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What to do next with a campaign: the same words in report, plan and notebooks.

    Attributes
    ----------
    state : str
        Where the campaign stands.
    steps : tuple of str
        What to do, a sentence or two each.
    mounts_more : dict of str to int
        Mounts still worth making, by treatment.
    bench_hours : float or None
        Soaking that they and the repeats take, as long as the mounts so far took, h.
    repeats, keep : tuple of str
        Runs to make again, and runs that went wrong but whose repeat would change nothing.
    """

    state: State
    steps: tuple[str, ...]
    mounts_more: dict[str, Some]
    bench_hours: float | None
    repeats: tuple[str, ...]
    keep: tuple[str, ...]

    @property
    def text(self) -> str:
        """All that is to be done."""
        return " ".join(self.steps)


@dataclass(frozen=True, slots=True, kw_only=True)
class PriorUse:
    """How a prior mount SD entered.

    Attributes
    ----------
    mount_sd_K : float
        Prior mount SD at the reference power without run noise, K.
    run_noise_K : float
        Run noise in one mount's number that was added to it, K.
    dof, used_dof : float
        Pooled degrees of freedom of the prior, and the half of them that count.
    variance_ratio, p_value : float or None
        Own over prior variance, and its two-sided F test; None without own scatter.
    source : str
        Where the prior comes from.
    """

    mount_sd_K: float
    run_noise_K: float
    dof: float
    used_dof: float
    variance_ratio: float | None = None
    p_value: float | None = None
    source: str


@dataclass(frozen=True, slots=True)
class OneMount:
    """What one mount of each could have shown, were the scatter between mounts known.

    Attributes
    ----------
    mount_sd_K : float
        The scatter supposed, K.
    smallest_difference_K : float
        Smallest difference whose interval would leave out zero, K.
    throttle_half_width_W : float or None
        Half-width of the interval of a throttle power, W; None without one.
    """

    mount_sd_K: float
    smallest_difference_K: float
    throttle_half_width_W: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison(Warned):
    """All candidates against the baseline, with the method and what to beware of.

    Attributes
    ----------
    estimand, method : str
        What is compared, and how, in words.
    reference_power_W : float or None
        Power at which the rises are compared, W.
    variance : {"pooled", "welch"}
        Variance method of the headline.
    dof, critical_value : float or None
        Degrees of freedom and point of the headline intervals; None under Welch with several candidates.
    cochran_c, cochran_critical : float or None
        Cochran's C and its 5 % point, with equal counts of two or more.
    lack_of_fit : LackOfFit or None
        F test of the rise curve.
    baseline : str
        The treatment the others are compared with.
    baseline_mean_rise_K : float or None
        Mean rise of its mounts, K.
    baseline_n_mounts : int
        Its used mounts.
    mount_sd_K, mount_sd_dof : float or None
        Mount SD used (with a prior: pooled with it), K, and its degrees of freedom.
    mount_sd_by_treatment : dict of str to float or None
        Standard deviation between the mounts of each treatment, K.
    treatments : tuple of TreatmentComparison
        Candidates, in the order given.
    secondary : tuple of SecondaryEffect
        Declared secondaries.
    offset_check : OffsetCheck or None
        Check for an offset between treatments.
    mounts : tuple of MountSummary
        Every used mount.
    prior : PriorUse or None
        How a prior entered.
    drift_K_per_mount : float or None
        Fitted drift with the order of the mounts, where declared, K.
    caution_list : tuple of Caution
        What a reader has to know, most important first.
    settings : dict
        Every number that was asked for.
    one_mount : tuple of OneMount
        Where there is no replicate and no prior: what it could have shown; filled in by the analysis.
    """

    estimand: str
    method: str
    reference_power_W: float | None
    variance: Variance
    dof: float | None
    critical_value: float | None
    cochran_c: float | None
    cochran_critical: float | None
    lack_of_fit: LackOfFit | None
    baseline: str
    baseline_mean_rise_K: float | None
    baseline_n_mounts: int
    mount_sd_K: float | None
    mount_sd_dof: float | None
    mount_sd_by_treatment: dict[str, float | None]
    treatments: tuple[TreatmentComparison, ...]
    secondary: tuple[SecondaryEffect, ...]
    offset_check: OffsetCheck | None
    mounts: tuple[MountSummary, ...]
    prior: PriorUse | None
    drift_K_per_mount: float | None
    settings: dict[str, Any]
    caution_list: tuple[Caution, ...] = ()
    one_mount: tuple[OneMount, ...] = ()


FARTHEST_EXTRAPOLATION = 0.20
"""Beyond this fraction outside the steps used nothing is given, neither a throttle power nor a difference."""


def trusted_range_W(steps_W: Iterable[float]) -> Interval:
    """Return the lowest and the highest power of which something is said, by the steps used, W."""
    known = list(steps_W) or [0.0]
    return (1.0 - FARTHEST_EXTRAPOLATION) * min(known), (1.0 + FARTHEST_EXTRAPOLATION) * max(known)


@dataclass(frozen=True, slots=True)
class MountThrottle:
    """Throttle power of one mount.

    Attributes
    ----------
    mount : str
        Its name within the treatment.
    throttle_power_W : float or None
        Where its own curve reaches the limit, W; None for a flat or falling curve.
    fit_interval_W : tuple of float or None
        What its own fit leaves open (the confidence band inverted), W; the scatter between mounts is not in it.
    """

    mount: str
    throttle_power_W: float | None
    fit_interval_W: Interval | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentThrottle:
    """Throttle power of one treatment.

    Attributes
    ----------
    treatment : str
        Treatment.
    n_mounts : int
        Mounts with a curve.
    throttle_power_W : float or None
        Mean over its mounts, W.
    interval_W, future_mount_interval_W : tuple of float or None
        Interval of the mean of all mounts one could make, and where a single future mount is expected, W.
    difference_W : float or None
        Less the baseline's, W; positive: carries more power.
    difference_interval_W, simultaneous_difference_interval_W : tuple of float or None
        Of this difference alone, and together with the other candidates, W.
    extrapolation : float or None
        Throttle power over its highest used step, less 1.
    observed : tuple of HeldPower
        Runs that shed power at the limit.
    directly_observed_W : float or None
        Their held power moved along the fitted curve to the customer's room and limit, mean over runs, W.
    slope_K_per_W : float or None
        Slope of the mean curve at the throttle power, K/W.
    model_spread_W : float or None
        Half-spread over curve models, W.
    room_effect_W : tuple of float or None
        How much more power the customer's room allows than the bench tells, W: a range that the intervals hold, or
        with a declared radiated share one number that is in them all.
    hottest_above_K, hottest_less_W : float or None
        Where the mean of the sensors was judged: by how much the hottest was above it at most, K, and about how much
        below the throttle power it reaches the limit, W.
    reason : str
        Why there is no throttle power; empty where there is one.
    mounts : tuple of MountThrottle
        Every mount.
    """

    treatment: str
    n_mounts: int
    throttle_power_W: float | None = None
    interval_W: Interval | None = None
    future_mount_interval_W: Interval | None = None
    difference_W: float | None = None
    difference_interval_W: Interval | None = None
    simultaneous_difference_interval_W: Interval | None = None
    extrapolation: float | None = None
    observed: tuple[HeldPower, ...] = ()
    directly_observed_W: float | None = None
    slope_K_per_W: float | None = None
    model_spread_W: float | None = None
    room_effect_W: Interval | None = None
    hottest_above_K: float | None = None
    hottest_less_W: float | None = None
    reason: str = ""
    mounts: tuple[MountThrottle, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ThrottlePower(Warned):
    """Throttle power of every treatment, baseline first.

    Attributes
    ----------
    room_C, temperature_limit_C : float
        The customer's room and the limit of the device, degC.
    model : str
        Curve used, in words.
    model_spread_W : float or None
        Largest half-spread over curve models (exponents 0.75 and 0.85, quadratic) among the treatments, W.
    mount_sd_W, mount_sd_dof : float or None
        Scatter of throttle powers between mounts, W, and its degrees of freedom (pooled).
    treatments : tuple of TreatmentThrottle
        Baseline first, then candidates in order.
    caution_list : tuple of Caution
        What a reader has to know.
    """

    room_C: float
    temperature_limit_C: float
    model: str
    model_spread_W: float | None
    mount_sd_W: float | None
    mount_sd_dof: float | None
    treatments: tuple[TreatmentThrottle, ...]
    caution_list: tuple[Caution, ...] = ()
