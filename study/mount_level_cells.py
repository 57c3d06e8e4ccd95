"""The run-table cells of the coverage study: which campaigns are simulated, and what is counted in them."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from mount_level import (
    MARGIN_K,
    PRIOR_DOF,
    STEPS_W,
    TOP_W,
    Judged,
    TableCell,
    Tables,
    disagreement,
    judge,
    limit_rise_K,
    mean_true_power,
    reference_values,
    run_noise_K,
    secondary_values,
    simulate_tables,
    throttle_powers,
    true_power,
)

from thermlab.simulate.network import passive_bench, settled_rise

CHECKED = 10
"""Campaigns of each cell that also go through the kit's own functions."""


def _power_law(exponent: float):  # noqa: ANN202 - a curve
    def curve(power_W: np.ndarray) -> np.ndarray:
        return 0.15 * power_W + 45.0 * (power_W / TOP_W) ** exponent

    return curve


@lru_cache(maxsize=1)
def _radiating() -> tuple[np.ndarray, np.ndarray]:
    """Rise of a sink that sheds 35 % of its heat at 120 W by radiation, on a fine grid."""
    bench = passive_bench(sink_rise_K=45.0, radiative_share=0.35, core_offsets_K=(0.0,), core_local_K_per_W=(0.0,))
    grid = np.linspace(10.0, 400.0, 7801)
    return grid, settled_rise(bench, 0.1, grid)


def radiating_rise_K(power_W: np.ndarray) -> np.ndarray:
    """Rise of that sink with 18 K of interface at 120 W."""
    return np.interp(power_W, *_radiating())


PLAIN = tuple(
    TableCell(name=f"{t} treatments, {m} mounts each", counts=(m,) * t) for t in (2, 3, 4) for m in (2, 3, 4, 6)
)
OTHER_SDS = tuple(
    TableCell(name=f"2 treatments, {m} mounts each, mount SD {sd} K", counts=(m, m), sds_K=(sd, sd))
    for sd in (0.3, 1.0)
    for m in (2, 3, 6)
)
COUNTS = tuple(
    TableCell(name=f"mounts {' + '.join(map(str, counts))}", counts=counts)
    for counts in ((1, 4), (4, 1), (2, 4), (3, 6), (4, 2, 2, 2), (2, 4, 3, 1), (6, 3, 3))
)
PRIORS = (
    *(
        TableCell(name=f"prior, 2 treatments, {m} mount{'s' * (m > 1)} each", counts=(m, m), prior="right")
        for m in (1, 2, 3)
    ),
    TableCell(name="prior, 4 treatments, 1 mount each", counts=(1, 1, 1, 1), prior="right"),
    *(
        TableCell(name=f"prior from benches that vary, {m} mount{'s' * (m > 1)} each", counts=(m, m), prior="varying")
        for m in (1, 2)
    ),
)
HARMLESS = (
    TableCell(name="offset of each mount, SD 0.15 K, 3 mounts each", counts=(3, 3), offset_sd_K=0.15),
    TableCell(name="one mount lost its top run, 3 mounts each", counts=(3, 3), missing_top=True),
    TableCell(
        name="drift 0.5 K a mount, covariate declared, 3 mounts each", counts=(3, 3), drift_K=0.5, order_covariate=True
    ),
    TableCell(
        name="drift 0.5 K a mount, covariate declared, 4 mounts each", counts=(4, 4), drift_K=0.5, order_covariate=True
    ),
    TableCell(
        name="Welch declared, SDs 0.3 and 0.9 K, 4 mounts each",
        counts=(4, 4),
        sds_K=(0.3, 0.9),
        variance="welch",
    ),
)
HARD = (
    TableCell(name="SDs 0.3 and 0.9 K, 3 mounts each, automatic", counts=(3, 3), sds_K=(0.3, 0.9)),
    TableCell(name="SDs 0.3 and 0.9 K, 3 mounts each, Welch", counts=(3, 3), sds_K=(0.3, 0.9), variance="welch"),
    TableCell(name="SDs 0.3 and 0.9 K, mounts 6 + 2, pooled", counts=(6, 2), sds_K=(0.3, 0.9), variance="pooled"),
    TableCell(name="SDs 0.3 and 0.9 K, mounts 6 + 2, Welch", counts=(6, 2), sds_K=(0.3, 0.9), variance="welch"),
    *(
        TableCell(
            name=f"4 treatments, one noisy (1.0 against 0.3 K), {m} mounts each, {words}",
            counts=(m,) * 4,
            sds_K=(0.3, 1.0, 0.3, 0.3),
            variance=variance,
        )
        for m in (3, 6)
        for variance, words in (("auto", "automatic"), ("welch", "Welch"))
    ),
    *(
        TableCell(name=f"offset of {offset} K between treatments, 3 mounts each", counts=(3, 3), offsets_K=(0, offset))
        for offset in (0.3, 0.5, 1.0)
    ),
    TableCell(name="drift 0.1 K a mount, in rounds, 3 mounts each", counts=(3, 3), drift_K=0.1),
    TableCell(
        name="drift 0.1 K a mount, one treatment first, 3 mounts each", counts=(3, 3), drift_K=0.1, in_rounds=False
    ),
)
THROTTLE = tuple(
    TableCell(name=f"{words}, limit at {x:.1f} of the top step", counts=(3, 3), curve=curve, limit_at_W=x * TOP_W)
    for words, curve in (
        ("exponent 0.8", _power_law(0.8)),
        ("exponent 0.75", _power_law(0.75)),
        ("exponent 1 (forced air)", _power_law(1.0)),
        ("35 % radiation", radiating_rise_K),
    )
    for x in (1.0, 1.1, 1.2)
)
HELD = (*PLAIN, *OTHER_SDS, *COUNTS, *PRIORS, *HARMLESS)
TABLE_CELLS: dict[str, TableCell] = {cell.name: cell for cell in (*HELD, *HARD, *THROTTLE)}


def count_cell(name: str, n: int, seed: np.random.SeedSequence, *, checked: int = CHECKED) -> dict[str, float]:
    """Simulate n campaigns of a cell twice, nothing different and one candidate at the margin, and count.

    Parameters
    ----------
    name : str
        A key of :data:`TABLE_CELLS`.
    n : int
        Campaigns.
    seed : SeedSequence
        Where all random numbers come from.
    checked : int
        Campaigns that also go through the kit's own functions.

    Returns
    -------
    dict of str to float
        Shares of campaigns; ``bias_W`` and half-widths in W; ``disagreement`` is the largest of any interval.
    """
    cell = TABLE_CELLS[name]
    rng = np.random.default_rng(seed)
    nothing = (0.0,) * len(cell.counts)
    effects = (0.0, -MARGIN_K, *nothing[2:])
    null = _judged(cell, simulate_tables(cell, nothing, n, rng))
    tables = simulate_tables(cell, effects, n, rng)
    real = _judged(cell, tables)
    truth = np.asarray(effects[1:])
    out = {
        "campaigns": float(n),
        "alone": _covers(real, truth, real.alone).mean(),
        "together": _covers(real, truth, real.together).all(axis=1).mean(),
        "type_1": (~_covers(null, np.zeros_like(truth), null.together)).any(axis=1).mean(),
        "equivalent_at_margin": (
            np.abs(real.difference[:, 0]) + real.one_sided[:, 0] * real.error[:, 0] < MARGIN_K
        ).mean(),
        "beyond_at_margin": ((real.difference + real.together * real.error)[:, 0] < -MARGIN_K).mean(),
        "half_width_K": float((real.together * real.error).mean()),
    }
    if not cell.missing_top:
        _count_secondaries(cell, tables, real, truth, out)
    powers = None
    if not cell.missing_top:
        powers = _count_throttle(cell, tables, real, rng, out)
    out["disagreement"] = max(
        (disagreement(cell, tables, real, powers, i) for i in range(min(checked, n))), default=0.0
    )
    return {key: float(value) for key, value in out.items()}


def _judged(cell: TableCell, tables: Tables) -> Judged:
    variance = None
    if tables.prior_sd_K is not None:
        variance = tables.prior_sd_K**2 + run_noise_K(tables.rise_K) ** 2
    values = reference_values(cell, tables.rise_K)
    order = tables.order if cell.order_covariate else None
    return judge(cell, values, order=order, prior_variance=variance)


def _count_secondaries(cell: TableCell, tables: Tables, real: Judged, truth: np.ndarray, out: dict[str, float]) -> None:
    """Count the intervals of the declared secondaries, and how often an offset is found."""
    replicated = min(cell.counts) > 1
    order = tables.order if cell.order_covariate else None
    for estimand, (values, worth) in secondary_values(tables.rise_K).items():
        variance = None
        if tables.prior_sd_K is not None and estimand != "offset":
            noise = run_noise_K(tables.rise_K)
            variance = (tables.prior_sd_K * worth) ** 2 + _weight_square(estimand) * noise**2
        elif tables.prior_sd_K is not None and not replicated:
            continue
        found = judge(cell, values, order=order, prior_variance=variance, welch=real.welch)
        out[estimand] = _covers(found, truth * worth, found.alone).mean()
        if estimand == "offset" and replicated:
            plain = judge(cell, values, welch=np.zeros(real.welch.size, dtype=bool))
            out["offset_found"] = (np.abs(plain.difference[:, 0]) > plain.alone[:, 0] * plain.error[:, 0]).mean()


def _covers(found: Judged, truth: np.ndarray, point: np.ndarray) -> np.ndarray:
    return np.abs(found.difference - truth) <= point * found.error


def _weight_square(estimand: str) -> float:
    unit = np.eye(STEPS_W.size)[None]
    return float((secondary_values(unit)[estimand][0] ** 2).sum())


def _count_throttle(
    cell: TableCell, tables: Tables, real: Judged, rng: np.random.Generator, out: dict[str, float]
) -> Judged:
    """Count what the throttle powers of a cell do; the variance method is that of the headline."""
    power, slope, from_noise = throttle_powers(tables.rise_K, limit_rise_K(cell))
    variance = None
    if tables.prior_sd_K is not None:
        variance = ((tables.prior_sd_K[:, None] / TOP_W * power / slope) ** 2 + from_noise).mean(axis=1)
    order = tables.order if cell.order_covariate else None
    found = judge(cell, power, order=order, prior_variance=variance, welch=real.welch)
    base_true, candidate_true = (mean_true_power(cell, i, effect) for i, effect in enumerate((0.0, -MARGIN_K)))
    if not cell.drift_K:
        # A drift moves the level itself: no method could know where it began.
        mine = power[:, cell.group == 0].mean(axis=1)
        half = found.base_point * found.base_sd
        future = true_power(cell, rng.normal(0.0, cell.mount_sds_K[0], mine.size))
        out["bias_W"] = (mine - base_true).mean()
        out["mean_power"] = (np.abs(mine - base_true) <= half * math.sqrt(1 / cell.counts[0])).mean()
        out["future_mount"] = (np.abs(mine - future) <= half * math.sqrt(1 + 1 / cell.counts[0])).mean()
    gap = candidate_true - base_true
    out["power_difference"] = (np.abs(found.difference[:, 0] - gap) <= found.alone[:, 0] * found.error[:, 0]).mean()
    out["power_half_width_W"] = (found.alone[:, 0] * found.error[:, 0]).mean()
    return found


__all__ = ["HARD", "HARMLESS", "HELD", "PRIOR_DOF", "TABLE_CELLS", "THROTTLE", "count_cell"]
