"""What campaigns say together: coverage and width of the combined difference, with the prior's scale right and wrong.

Campaigns of one bench compare two treatments. The mount SD is 0.5 K and the noise of a run 0.2 K; each campaign truly
differs by a normal deviate whose standard deviation is drawn from a half-normal distribution of 0.4 K. Combined with
the pooled mount SD and a prior of 0.2, 0.4 or 0.8 K, the interval should hold the truth as often as it says where the
scale is right; with campaigns of one mount each, and no mount repeated anywhere, by the t interval.
"""

import argparse
import json
import math
from pathlib import Path

import numpy as np

from thermlab.stats.repeats import combine_campaigns, mean_of_campaigns

RESULT = Path(__file__).resolve().parent / "results" / "history.json"
MOUNT_SD_K, NOISE_K, SPREAD_K = 0.5, 0.2, 0.4
SCALES_K = (0.2, 0.4, 0.8)


def study(n: int, seed: int) -> list[dict[str, float]]:
    """Return coverage and mean half-width for each number of campaigns, mounts in them, and scale."""
    rows = []
    variance = MOUNT_SD_K**2 + NOISE_K**2
    for campaigns, mounts in ((2, 3), (3, 3), (5, 3), (8, 2), (2, 2), (4, 1), (8, 1)):
        rng = np.random.default_rng([seed, campaigns, mounts])
        u, dof = math.sqrt(2.0 * variance / mounts), 2 * campaigns * (mounts - 1)
        found: dict[float, list[tuple[float, float]]] = {scale: [] for scale in (SCALES_K if dof else (0.0,))}
        for _ in range(n):
            spread = abs(rng.normal(0.0, SPREAD_K))
            values = rng.normal(0.0, math.hypot(spread, u), campaigns).tolist()
            seen = u * math.sqrt(rng.chisquare(dof) / dof) if dof else 0.0
            for scale, ends in found.items():
                ends.append(
                    combine_campaigns(values, [seen] * campaigns, dof=dof, scale=scale).interval
                    if dof
                    else mean_of_campaigns(values).interval
                )
        for scale, ends in found.items():
            low, high = np.array(ends).T
            rows.append(
                {
                    "campaigns": campaigns,
                    "mounts": mounts,
                    "scale_K": scale,
                    "coverage": float(np.mean((low < 0.0) & (high > 0.0))),
                    "half_width_K": float(np.mean(high - low) / 2.0),
                }
            )
    return rows


def main() -> None:
    """Run it and write the results."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=2000, help="archives a row")
    parser.add_argument("--seed", type=int, default=20260716)
    chosen = parser.parse_args()
    rows = study(chosen.n, chosen.seed)
    RESULT.write_text(json.dumps({"n": chosen.n, "seed": chosen.seed, "rows": rows}, indent=1) + "\n", encoding="utf-8")
    for row in rows:
        print(
            f"{row['campaigns']} campaigns of {row['mounts']}, scale {row['scale_K']:g} K: "
            f"coverage {row['coverage']:.3f}, half-width {row['half_width_K']:.2f} K"
        )


if __name__ == "__main__":
    main()
