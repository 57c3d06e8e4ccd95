"""What an archive teaches, as plain records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from thermlab.base.showing import Shown

if TYPE_CHECKING:
    from thermlab.histories.ageing import AgeTrend
    from thermlab.histories.benches import BenchHistory
    from thermlab.histories.mounts import BaselineChart, LotSummary
    from thermlab.stats.random_effects import RandomEffects


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """What one campaign found about a treatment.

    Attributes
    ----------
    bag, title, bench, day : str
        The campaign.
    lots : tuple of str
        Lots of the treatment in it.
    difference_K_per_W : float
        Difference to the baseline over the reference power, K/W; negative: cooler.
    u_K_per_W : float or None
        Its standard uncertainty, K/W; None where mounts were not replicated.
    """

    bag: str
    title: str
    bench: str
    day: str
    lots: tuple[str, ...]
    difference_K_per_W: float
    u_K_per_W: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AcrossCampaigns:
    """One treatment against one baseline, over all campaigns that have both.

    Attributes
    ----------
    treatment, baseline : str
        What is compared.
    studies : tuple of Study
        Oldest first.
    combined : RandomEffects or None
        In K/W; None with fewer than two campaigns that have an uncertainty.
    """

    treatment: str
    baseline: str
    studies: tuple[Study, ...]
    combined: RandomEffects | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildPoint:
    """One run of one build against where a fresh mount was expected.

    Attributes
    ----------
    bag, build, treatment, lot, day, verdict : str
        Which build, and what became of it.
    power_W : float
        Power step, W.
    rise_K : float
        Its settled rise, K.
    expected_K : float
        Mean of the campaign's mounts, K.
    interval_K : tuple of float or None
        Where a fresh mount was expected, K.
    """

    bag: str
    build: str
    treatment: str
    lot: str
    day: str
    verdict: str
    power_W: float
    rise_K: float
    expected_K: float
    interval_K: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class History(Shown):
    """What an archive teaches.

    Attributes
    ----------
    archive : str
        Name of the archive's folder.
    n_campaigns, n_builds : int
        How many count.
    confidence_level : float
        Of every interval.
    benches : tuple of BenchHistory
        Mount SD pooled per bench, with a block to paste as a prior.
    baselines : tuple of BaselineChart
        Resistance of each bench's baseline, mount by mount.
    across : tuple of AcrossCampaigns
        Treatments over campaigns.
    lots : tuple of LotSummary
        Lots of one treatment on one bench.
    builds : tuple of BuildPoint
        Oldest first.
    ageing : tuple of AgeTrend
        Trends with age.
    left_out : tuple of str
        What does not count, and why.
    """

    words: ClassVar[str] = "thermlab.histories.words"
    page: ClassVar[str] = "thermlab.histories.page"

    archive: str
    n_campaigns: int
    n_builds: int
    confidence_level: float
    benches: tuple[BenchHistory, ...]
    baselines: tuple[BaselineChart, ...]
    across: tuple[AcrossCampaigns, ...]
    lots: tuple[LotSummary, ...]
    builds: tuple[BuildPoint, ...]
    ageing: tuple[AgeTrend, ...]
    left_out: tuple[str, ...]

    def __repr__(self) -> str:
        return f"history of {self.archive}: {self.n_campaigns} campaigns, {self.n_builds} builds"
