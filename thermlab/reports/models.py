"""What ``results.json`` (schema 1) holds: the records of the analysis themselves, and what no record holds.

These models check what is written and read, and give the JSON Schema that is shipped. NaN and infinity are refused;
keys that a later version adds are left alone.
"""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from thermlab.compare.analysis import Bench
from thermlab.compare.records import Advice, Caution, Comparison, ThrottlePower
from thermlab.compare.uncertainty import BudgetLine, Combined, Quantity
from thermlab.compare.value import Value
from thermlab.runs.records import ReducedRun


class _Part(BaseModel):
    model_config = ConfigDict(allow_inf_nan=False)


@dataclass(frozen=True, kw_only=True)
class FiledRun(ReducedRun):
    """A run as it is filed: the record, and what follows from it."""

    settled_rise_K: float | None = None


@dataclass(frozen=True, kw_only=True)
class FiledAdvice(Advice):
    """What to do next as it is filed."""

    text: str = ""


@dataclass(frozen=True, kw_only=True)
class FiledUncertainty(Combined):
    """Combined and expanded uncertainty of a quantity."""

    quantity: Quantity


class FiledMeasured(_Part):
    """When the runs were made."""

    from_: str = Field(alias="from")
    to: str


class FiledCampaign(_Part):
    """What was compared."""

    title: str
    bench: str | None
    baseline: str
    currency: str | None
    sha256: dict[str, Annotated[str, Field(pattern="^[0-9a-f]{64}$")]]
    measured: FiledMeasured | None = None


class CampaignResults(_Part):
    """``results.json`` of a campaign.

    Keys may be added, never taken away or given another meaning. Names of numbers end in their unit; a difference is
    candidate minus baseline, negative is cooler; a number that cannot be had is null and a caution says why.
    """

    schema_: Literal[1] = Field(alias="schema")
    thermlab_version: str
    created: str = Field(json_schema_extra={"format": "date-time"})
    campaign: FiledCampaign
    settings: dict[str, Any]
    overrides: dict[str, tuple[Any, Any]] = {}
    runs: list[FiledRun]
    bench: Bench
    comparison: Comparison | None
    throttle: ThrottlePower | None
    value: Value | None
    uncertainty_budget: list[BudgetLine]
    uncertainty_combined: list[FiledUncertainty] = []
    cautions: list[str]
    caution_list: list[Caution] = []
    advice: FiledAdvice | None = None


class BuildResults(_Part):
    """``results.json`` of a build."""

    schema_: Literal[1] = Field(alias="schema")
    kind: Literal["build"]
    thermlab_version: str
    created: str
    build: dict[str, Any]
    settings: dict[str, Any]
    runs: list[Any]
    prediction: Any
    throttle: Any
    reference: Any
    verdict: Literal["pass", "refer", "fail"]
    verdict_reason: str
    cautions: list[str]


_REQUIRED = {
    "Bench": "time_constant_min u_time_constant_min mount_sd_K mount_sd_dof mount_sd_by_treatment prior",
    "Caution": "text about weight",
    "Comparison": "estimand reference_power_W method dof critical_value cochran_c lack_of_fit treatments secondary "
    "offset_check",
    "FiledAdvice": "state text mounts_more bench_hours repeats keep",
    "FiledRun": "run treatment mount set_power_W power_W ambient_C rise_K u_rise_K drift_left_K end_reading_C "
    "end_rise_K sensor soak_min settled flags used reason",
    "Flag": "flag severity evidence",
    "ThrottlePower": "room_C temperature_limit_C model model_spread_W treatments",
    "TreatmentComparison": "treatment n_mounts mean_rise_K difference_K interval_K simultaneous_interval_K "
    "equivalence_interval_K welch_interval_K p_value equivalent verdict verdict_note mounts_needed "
    "without_exclusions_K",
    "TreatmentThrottle": "treatment throttle_power_W interval_W future_mount_interval_W difference_W "
    "difference_interval_W simultaneous_difference_interval_W extrapolation observed directly_observed_W",
    "TreatmentValue": "treatment cost_per_mount cost_per_K not_beaten",
}
"""What every file of schema 1 has, the first ones too: neither less nor what later ones added."""


def results_schema() -> dict[str, Any]:
    """Return the JSON Schema of the ``results.json`` of a campaign, schema 1, as the models have it."""
    schema = CampaignResults.model_json_schema()
    for name, keys in _REQUIRED.items():
        schema["$defs"][name]["required"] = keys.split()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
