"""A whole simulated campaign: treatments, fresh mounts in random blocks, one ladder each, and the true answers."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from thermlab.simulate.ladders import (
    Disturbance,
    SimulatedBench,
    SimulatedLadder,
    SimulatedRoom,
    SimulatedTreatment,
    settled_rise,
    simulate_ladders,
    throttle_power,
)
from thermlab.simulate.network import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedMount:
    """One fresh mount of a treatment and the ladder run on it; `mount` counts from 1 within the treatment."""

    treatment: str
    mount: int
    start: datetime
    ladder: SimulatedLadder


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignTruth:
    """The answers that a perfect bench with endless mounts would give.

    Attributes
    ----------
    steps_W : tuple of float
    rise_K : dict of str to ndarray, (n_steps,)
        Settled rise of the hottest sensor for the mean mount of each treatment, by step, in the room's mean.
    difference_K : dict of str to ndarray, (n_steps,)
        Each candidate minus the baseline (the first treatment).
    throttle_power_W : dict of str to float
        Power at which the mean mount settles at `limit_C` in a room at `limit_room_C`; empty without a limit.
    limit_C, limit_room_C : float or None
        As asked for.
    """

    steps_W: tuple[float, ...]
    rise_K: dict[str, Floats]
    difference_K: dict[str, Floats]
    throttle_power_W: dict[str, float]
    limit_C: float | None
    limit_room_C: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedCampaign:
    """Mounts in the order in which they were made, with the bench, the treatments and the truth."""

    bench: SimulatedBench
    treatments: tuple[SimulatedTreatment, ...]
    steps_W: tuple[float, ...]
    soak_min: float
    room: SimulatedRoom
    mounts: tuple[SimulatedMount, ...]
    truth: CampaignTruth


def simulate_campaign(
    bench: SimulatedBench,
    treatments: Sequence[SimulatedTreatment],
    *,
    steps_W: Sequence[float],
    rng: np.random.Generator,
    n_mounts: int | Sequence[int] = 3,
    soak_min: float = 40.0,
    room: SimulatedRoom | None = None,
    start: datetime = datetime(2026, 3, 2, 8, 30),  # noqa: DTZ001  logs have no zone
    hours_between: float = 24.0,
    limit_room_C: float = 35.0,
    disturbances: Mapping[tuple[str, int, int], Sequence[Disturbance]] | None = None,
    **settings: Any,
) -> SimulatedCampaign:
    """Simulate a campaign in blocks: one mount of each treatment in random order, then the next block.

    Parameters
    ----------
    bench : SimulatedBench
    treatments : sequence of SimulatedTreatment
        The first is the baseline.
    steps_W : sequence of float
        Power steps in the order they are run, W.
    rng : numpy.random.Generator
    n_mounts : int or sequence of int
        Mounts of each treatment.
    soak_min : float
        Soak of every run, min.
    room : SimulatedRoom or None
    start : datetime
        When the first log begins, and how far apart the mounts are (`hours_between`).
    limit_room_C : float
        Room for the true throttle power; the limit is the bench's.
    disturbances : mapping from (treatment, mount from 1, index of the step)
    **settings
        Further arguments of :func:`thermlab.simulate.ladders.simulate_ladders`.

    Returns
    -------
    SimulatedCampaign
    """
    room = room or SimulatedRoom()
    counts = [n_mounts] * len(treatments) if isinstance(n_mounts, int) else list(n_mounts)
    resistances = {t.name: t.mounts(count, rng) for t, count in zip(treatments, counts, strict=True)}
    order: list[tuple[str, int]] = []
    for block in range(max(counts)):
        present = [t.name for t, count in zip(treatments, counts, strict=True) if block < count]
        order += [(present[i], block + 1) for i in rng.permutation(len(present))]
    places = {mount: place for place, mount in enumerate(order)}
    planted = {(places[name, mount], step): found for (name, mount, step), found in (disturbances or {}).items()}
    ladders = simulate_ladders(
        bench, [resistances[name][mount - 1] for name, mount in order], list(steps_W),
        rng=rng, soak_min=soak_min, room=room, disturbances=planted, **settings,
    )  # fmt: skip
    mounts = tuple(
        SimulatedMount(treatment=name, mount=mount, start=start + timedelta(hours=i * hours_between), ladder=ladders[i])
        for i, (name, mount) in enumerate(order)
    )
    return SimulatedCampaign(
        bench=bench, treatments=tuple(treatments), steps_W=tuple(steps_W), soak_min=soak_min, room=room, mounts=mounts,
        truth=campaign_truth(bench, treatments, steps_W, room_C=room.mean_C, limit_room_C=limit_room_C),
    )  # fmt: skip


def campaign_truth(
    bench: SimulatedBench,
    treatments: Sequence[SimulatedTreatment],
    steps_W: Sequence[float],
    *,
    room_C: float = 22.0,
    limit_room_C: float = 35.0,
) -> CampaignTruth:
    """Work out the true answers for the mean mount of each treatment."""
    steps = np.asarray(steps_W, dtype=np.float64)
    rise_K = {t.name: settled_rise(bench, t.resistance_K_per_W, steps, room_C=room_C) for t in treatments}
    baseline = treatments[0].name
    limits = {}
    if bench.limit_C is not None:
        for t in treatments:
            found = throttle_power(bench, t.resistance_K_per_W, room_C=limit_room_C, temperature_C=bench.limit_C)
            limits[t.name] = float(found)
    return CampaignTruth(
        steps_W=tuple(steps_W), rise_K=rise_K,
        difference_K={t.name: rise_K[t.name] - rise_K[baseline] for t in treatments[1:]},
        throttle_power_W=limits, limit_C=bench.limit_C, limit_room_C=limit_room_C,
    )  # fmt: skip
