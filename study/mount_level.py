"""Simulated campaigns at run-table level: thousands at once, judged by the rules of the kit.

Every campaign is a table of settled rises, mount by mount and step by step, with known truth. The arithmetic is
vectorised over campaigns; the points (Student, Dunnett, Cochran) are the kit's own, and :func:`disagreement` measures
how far the intervals are from those of :func:`thermlab.compare.comparison.compare_treatments` on the same tables.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from thermlab.compare.comparison import compare_treatments
from thermlab.compare.throttle import predict_throttle
from thermlab.runs.records import ReducedRun
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.variances import Prior, cochran_critical

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STEPS_W = np.array([40.0, 56.0, 72.0, 88.0, 104.0, 120.0])
TOP_W = 120.0
ALPHA = 0.05
MARGIN_K = 1.0
NAMES = ("grease-a", "pad-b", "paste-c", "foil-d")
ROOM_C = 22.0
NOISE_K = 0.2
PRIOR_DOF = 12


def passive_rise_K(power_W: Floats) -> Floats:
    """18 K of interface in proportion to the power and 45 K of a naturally convecting sink, both at 120 W."""
    return 0.15 * power_W + 45.0 * (power_W / TOP_W) ** 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class TableCell:
    """One kind of campaign.

    Attributes
    ----------
    name : str
        What it is called in the table.
    counts, sds_K : tuple
        Mounts of each treatment, the baseline first, and their mount SDs at 120 W.
    offsets_K : tuple of float
        Offset of each treatment that does not grow with power; none where empty.
    offset_sd_K : float
        Standard deviation of such an offset from mount to mount.
    drift_K : float
        Change per mount in the order made.
    in_rounds : bool
        One mount of each treatment a round in random order, or all of one treatment and then the next.
    order_covariate : bool
        Whether the declared covariate is used.
    variance : str
        ``auto``, ``pooled`` or ``welch``.
    prior : str
        Empty; ``right`` (12 degrees of freedom from earlier campaigns of the same mount SD); ``varying`` (three
        earlier campaigns of 4 degrees of freedom whose SDs, like this one's, have a coefficient of variation of 0.3).
    missing_top : bool
        One mount of the candidate has lost its run at the highest step.
    curve : callable
        Rise of the mean mount of the baseline, K, at powers in W.
    limit_at_W : float
        Where the baseline's mean mount reaches the limit, for the throttle power.
    """

    name: str
    counts: tuple[int, ...]
    sds_K: tuple[float, ...] = ()
    offsets_K: tuple[float, ...] = ()
    offset_sd_K: float = 0.0
    drift_K: float = 0.0
    in_rounds: bool = True
    order_covariate: bool = False
    variance: str = "auto"
    prior: str = ""
    missing_top: bool = False
    curve: Callable[[Floats], Floats] = passive_rise_K
    limit_at_W: float = 1.1 * TOP_W

    @property
    def group(self) -> NDArray[np.intp]:
        """Treatment of each mount, shape (N,)."""
        return np.repeat(np.arange(len(self.counts)), self.counts)

    @property
    def mount_sds_K(self) -> Floats:
        """Mount SD of each treatment."""
        return np.asarray(self.sds_K or (0.6,) * len(self.counts))


@dataclass(frozen=True, slots=True)
class Tables:
    """Rises of many campaigns, shape (n, N, k), with the order of their mounts and their priors."""

    rise_K: Floats
    order: Floats
    prior_sd_K: Floats | None


@dataclass(frozen=True, slots=True)
class Judged:
    """Differences (n, p), their standard errors and points; for the baseline's own mean its SD and point (n,).

    ``welch`` says in which campaigns the headline is Welch's.
    """

    difference: Floats
    error: Floats
    alone: Floats
    together: Floats
    one_sided: Floats
    base_sd: Floats
    base_point: Floats
    welch: NDArray[np.bool_]


def simulate_tables(cell: TableCell, effects_K: tuple[float, ...], n: int, rng: np.random.Generator) -> Tables:
    """Draw n campaigns; `effects_K` at 120 W by treatment, the baseline's first."""
    group = cell.group
    size = group.size
    sds = np.broadcast_to(cell.mount_sds_K, (n, len(cell.counts))).copy()
    prior = None
    if cell.prior == "right":
        prior = cell.mount_sds_K[0] * np.sqrt(rng.chisquare(PRIOR_DOF, n) / PRIOR_DOF)
    elif cell.prior == "varying":
        spread = math.sqrt(math.log(1.0 + 0.3**2))
        factors = np.exp(spread * rng.standard_normal((n, 4)) - 0.5 * spread**2)
        sds *= factors[:, 3:]
        earlier = cell.mount_sds_K[0] ** 2 * factors[:, :3] ** 2 * rng.chisquare(4, (n, 3)) / 4
        prior = np.sqrt(earlier.mean(axis=1))
    resistance = (np.asarray(effects_K)[group] + rng.standard_normal((n, size)) * sds[:, group]) / TOP_W
    order = _orders(cell, n, rng)
    offset = cell.drift_K * order + cell.offset_sd_K * rng.standard_normal((n, size))
    if cell.offsets_K:
        offset = offset + np.asarray(cell.offsets_K)[group]
    rise = cell.curve(STEPS_W) + resistance[:, :, None] * STEPS_W + offset[:, :, None]
    return Tables(rise + rng.normal(0.0, NOISE_K, rise.shape), order, prior)


def _orders(cell: TableCell, n: int, rng: np.random.Generator) -> Floats:
    """Place of each mount in the order made, (n, N)."""
    size = cell.group.size
    if not cell.in_rounds:
        return np.broadcast_to(np.arange(size, dtype=float), (n, size))
    rounds = np.concatenate([np.arange(count) for count in cell.counts])
    keys = rounds + rng.random((n, size))
    return np.argsort(np.argsort(keys, axis=1), axis=1).astype(float)


def reference_values(cell: TableCell, rise_K: Floats) -> Floats:
    """Rise of each mount at 120 W, (n, N), as the kit gets it from a table with or without holes."""
    if not cell.missing_top:
        return rise_K[:, :, -1]
    present = _present(cell)
    n_steps, size = STEPS_W.size, cell.group.size
    rows, columns = np.nonzero(present)
    design = np.zeros((rows.size + 1, n_steps + size))
    design[np.arange(rows.size), columns] = 1.0
    design[np.arange(rows.size), n_steps + rows] = STEPS_W[columns]
    design[-1, n_steps:] = 1e6  # slopes add up to zero
    solve = np.linalg.pinv(design)[:, :-1]
    found = rise_K[:, present] @ solve.T
    return found[:, [n_steps - 1]] + found[:, n_steps:] * TOP_W


def _present(cell: TableCell) -> NDArray[np.bool_]:
    present = np.ones((cell.group.size, STEPS_W.size), dtype=bool)
    if cell.missing_top:
        present[cell.counts[0], -1] = False
    return present


def secondary_values(rise_K: Floats) -> dict[str, tuple[Floats, float]]:
    """Numbers of each mount by estimand, and what an effect of 1 K at 120 W is worth in them."""
    ladder = STEPS_W / TOP_W
    centred = STEPS_W - STEPS_W.mean()
    weights = {
        "ladder mean": np.full(STEPS_W.size, 1.0 / STEPS_W.size),
        "upper steps": np.where(np.arange(STEPS_W.size) >= STEPS_W.size // 2, 2.0 / STEPS_W.size, 0.0),
        "series resistance": STEPS_W / (STEPS_W @ STEPS_W),
        "offset-proof slope": centred / (centred @ centred),
    }
    weights["offset"] = 1.0 / STEPS_W.size - STEPS_W.mean() * weights["offset-proof slope"]
    return {name: (rise_K @ w, float(w @ ladder)) for name, w in weights.items()}


def run_noise_K(rise_K: Floats) -> Floats:
    """Scatter of single runs about common steps and one slope per mount, (n,)."""
    left = rise_K - rise_K.mean(axis=1, keepdims=True)
    left = left - (left @ STEPS_W / (STEPS_W @ STEPS_W))[:, :, None] * STEPS_W
    _, size, n_steps = rise_K.shape
    return np.sqrt((left**2).sum(axis=(1, 2)) / ((size - 1) * (n_steps - 1)))


def judge(
    cell: TableCell,
    values: Floats,
    *,
    order: Floats | None = None,
    prior_variance: Floats | None = None,
    welch: NDArray[np.bool_] | None = None,
) -> Judged:
    """Judge one number per mount, (n, N), by the rule of the kit.

    `welch` says in which campaigns Welch's method carries the headline; None: found out here from these numbers.
    """
    pooled = _pooled(cell, values, order, prior_variance)
    counts = np.asarray(cell.counts)
    if cell.variance == "pooled" or prior_variance is not None or counts.min() < 2:
        return pooled
    arms = np.eye(counts.size)[cell.group]
    means = values @ (arms / counts)
    squares = ((values - means[:, cell.group]) ** 2) @ arms
    if welch is None:
        welch = np.full(values.shape[0], cell.variance == "welch")
        if cell.variance == "auto" and counts.min() >= 3 and counts.min() == counts.max():
            welch = squares.max(axis=1) / squares.sum(axis=1) > cochran_critical(counts.size, int(counts[0]))
    if not welch.any():
        return pooled
    parts = squares / (counts - 1) / counts
    total = parts[:, 1:] + parts[:, :1]
    dof = total**2 / (parts[:, 1:] ** 2 / (counts[1:] - 1) + parts[:, :1] ** 2 / (counts[0] - 1))
    other = (
        means[:, 1:] - means[:, :1],
        np.sqrt(total),
        stdtrit(dof, 1 - ALPHA / 2),
        stdtrit(dof, 1 - ALPHA / (2 * (counts.size - 1))),
        stdtrit(dof, 1 - ALPHA),
    )
    mine = (pooled.difference, pooled.error, pooled.alone, pooled.together, pooled.one_sided)
    both = [np.where(welch[:, None], one, two) for one, two in zip(other, mine, strict=True)]
    base_sd = np.where(welch, np.sqrt(squares[:, 0] / (counts[0] - 1)), pooled.base_sd)
    base_point = np.where(welch, stdtrit(counts[0] - 1, 1 - ALPHA / 2), pooled.base_point)
    return Judged(*both, base_sd, base_point, welch)


def _pooled(cell: TableCell, values: Floats, order: Floats | None, prior_variance: Floats | None) -> Judged:
    counts, group = np.asarray(cell.counts), cell.group
    arms = np.eye(counts.size)[group]
    means = values @ (arms / counts)
    left = values - means[:, group]
    residual = (left**2).sum(axis=1)
    dof = float(group.size - counts.size)
    difference = means[:, 1:] - means[:, :1]
    extra = np.zeros_like(difference)
    if order is not None:
        mean_order = order @ (arms / counts)
        within = order - mean_order[:, group]
        spread = (within**2).sum(axis=1)
        slope = (within * left).sum(axis=1) / spread
        shift = mean_order[:, 1:] - mean_order[:, :1]
        residual, dof = residual - slope**2 * spread, dof - 1.0
        difference = difference - slope[:, None] * shift
        extra = shift**2 / spread[:, None]
    if prior_variance is not None:
        half = PRIOR_DOF / 2.0
        residual, dof = residual + half * prior_variance, dof + half
    sd = np.sqrt(residual / dof)
    error = sd[:, None] * np.sqrt(1.0 / counts[1:] + 1.0 / counts[0] + extra)
    alone = float(stdtrit(dof, 1 - ALPHA / 2))
    together = dunnett_critical(ALPHA, counts[1:].tolist(), int(counts[0]), dof)
    points = (np.full(difference.shape, p) for p in (alone, together, float(stdtrit(dof, 1 - ALPHA))))
    return Judged(difference, error, *points, sd, np.full(sd.shape, alone), np.zeros(sd.size, dtype=bool))


def throttle_powers(rise_K: Floats, limit_K: float) -> tuple[Floats, Floats, Floats]:
    """Power at which each mount's own curve reaches the limit, its slope there, and the variance from run noise."""
    design = np.column_stack([STEPS_W, STEPS_W**0.8])
    b, a = np.moveaxis(rise_K @ np.linalg.pinv(design).T, -1, 0)
    power = np.full(b.shape, TOP_W)
    for _ in range(30):  # Newton; the curve is nearly straight here
        power = power - (b * power + a * power**0.8 - limit_K) / (b + 0.8 * a * power**-0.2)
    slope = b + 0.8 * a * power**-0.2
    left = rise_K - (b[..., None] * design[:, 0] + a[..., None] * design[:, 1])
    noise = (left**2).sum(axis=(1, 2)) / (rise_K.shape[1] * (STEPS_W.size - 2))
    row = np.stack([power, power**0.8], axis=-1)
    spread = np.einsum("nmi,ij,nmj->nm", row, np.linalg.inv(design.T @ design), row)
    return power, slope, noise[:, None] * spread / slope**2


def true_power(cell: TableCell, effect_K: Floats | float) -> Floats:
    """Power at which a mount whose resistance differs by so many K at 120 W reaches the limit, W."""
    limit = limit_rise_K(cell)
    power = np.full(np.shape(effect_K), cell.limit_at_W)
    for _ in range(60):
        rise = cell.curve(power) + np.asarray(effect_K) * power / TOP_W
        step = 1e-4
        slope = (cell.curve(power + step) - cell.curve(power - step)) / (2 * step) + np.asarray(effect_K) / TOP_W
        power = power - (rise - limit) / slope
    return power


def mean_true_power(cell: TableCell, treatment: int, effect_K: float) -> float:
    """Mean over all mounts one could make, by Gauss-Hermite quadrature, W."""
    at, weights = np.polynomial.hermite_e.hermegauss(12)
    return float(weights @ true_power(cell, effect_K + cell.mount_sds_K[treatment] * at) / weights.sum())


def limit_rise_K(cell: TableCell) -> float:
    """Rise left between room and limit, K."""
    return float(cell.curve(np.array([cell.limit_at_W]))[0])


def as_runs(cell: TableCell, tables: Tables, index: int) -> list[ReducedRun]:
    """One campaign as the reduced runs the kit works on."""
    group, present = cell.group, _present(cell)
    places = np.concatenate([np.arange(count) for count in cell.counts])
    return [
        ReducedRun(
            run=f"r{mount}-{step}",
            treatment=NAMES[group[mount]],
            mount=f"m{places[mount] + 1}",
            set_power_W=float(STEPS_W[step]),
            ambient_C=ROOM_C,
            rise_K=float(tables.rise_K[index, mount, step]),
            order=int(tables.order[index, mount]) * STEPS_W.size + step,
        )
        for mount in range(group.size)
        for step in range(STEPS_W.size)
        if present[mount, step]
    ]


def disagreement(cell: TableCell, tables: Tables, judged: Judged, powers: Judged | None, index: int) -> float:
    """Return the largest difference between these intervals and the kit's own on one campaign (K and W)."""
    runs = as_runs(cell, tables, index)
    names = NAMES[: len(cell.counts)]
    prior = None
    if tables.prior_sd_K is not None:
        prior = Prior(mount_sd_K_per_W=float(tables.prior_sd_K[index]) / TOP_W, dof=PRIOR_DOF, source="simulated")
    found = compare_treatments(
        runs,
        treatments=names,
        baseline=names[0],
        margin_K=MARGIN_K,
        reference_power_W=TOP_W,
        variance=cell.variance,
        prior=prior,
        order_covariate=cell.order_covariate,
    )
    pairs = []
    for column, item in enumerate(found.treatments):
        middle, error = judged.difference[index, column], judged.error[index, column]
        for interval, point in (
            (item.interval_K, judged.alone),
            (item.simultaneous_interval_K, judged.together),
            (item.equivalence_interval_K, judged.one_sided),
        ):
            pairs += zip(
                interval, (middle - point[index, column] * error, middle + point[index, column] * error), strict=True
            )
    if powers is not None:
        throttle = predict_throttle(
            runs,
            treatments=names,
            baseline=names[0],
            room_C=ROOM_C,
            temperature_C=ROOM_C + limit_rise_K(cell),
            variance=found.variance,
            prior=prior,
            order_covariate=cell.order_covariate,
        )
        for column, item in enumerate(throttle.treatments[1:]):
            # Beyond 20 % outside the ladder the kit gives none.
            if item.difference_interval_W is not None:
                half = powers.alone[index, column] * powers.error[index, column]
                middle = powers.difference[index, column]
                pairs += zip(item.difference_interval_W, (middle - half, middle + half), strict=True)
    return max(abs(one - other) for one, other in pairs)
