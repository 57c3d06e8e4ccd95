"""The models behind ``campaign.yaml``; attribute names are the keys of the file.

Every threshold of the run checks is here too, under ``checks:``; where one has
no published source it says so.
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, AliasPath, BeforeValidator, Field

from thermlab.base.errors import InputError, Problem
from thermlab.logs.settings import AmbientLogSettings, Broken, Line, LogSettings, Model, Name, Text, refused

PRACTICE = "common practice, no source"
SIMULATED = "simulation: make study"


_Above0 = Annotated[float, Field(gt=0)]
_Above1 = Annotated[float, Field(gt=1)]


def _practice(default: float, meaning: str) -> Any:
    return Field(default, description=f"{meaning}; {PRACTICE}")


def _simulated(default: float, meaning: str) -> Any:
    return Field(default, description=f"{meaning}; {SIMULATED}")


class CheckThresholds(Model):
    """Thresholds of the run checks; all are in the unit their name ends in."""

    # not settled
    settled_left_K: _Above0 = _simulated(0.5, "a run counts as settled when at most this is left, with its bound")
    trusted_soak_time_constants: _Above0 = _simulated(1.6, "shortest soak whose extrapolation is trusted")
    trusted_left_K: _Above0 = _simulated(2.0, "most that a trusted extrapolation may add")
    least_left_K: _Above0 = _practice(0.1, "least that is worth a word; it must exceed its standard uncertainty too")
    steady_window_min: _Above0 = _simulated(15.0, "longest window of the settled rule")

    # power
    power_off_note_percent: _Above0 = _practice(1.0, "logged against set power, note")
    power_off_doubtful_percent: _Above0 = _practice(2.5, "the same, beyond that of the other runs, doubtful")
    power_off_unusable_percent: _Above0 = _practice(15.0, "the same, unusable")
    power_drift_percent: _Above0 = _practice(2.5, "overshoot or sag of power within the soak")
    power_drift_ratio: _Above1 = _simulated(4.0, "the same in its standard uncertainty, both must be exceeded")
    load_step_percent: _Above0 = _practice(4.0, "lasting step of power within the soak")
    load_step_min: _Above0 = _practice(0.5, "shortest interruption that counts")
    shed_power_percent: _Above0 = _practice(2.0, "held power below set, at the limit")
    shed_limit_K: _Above0 = _practice(2.0, "distance to the limit that counts as at it")

    # what only all readings together show
    copied_percent: _Above0 = _simulated(50.0, "marks of the readings that two mounts have in common, unusable")
    overlap_min: _Above0 = _practice(2.0, "soaks of two mounts at one time, doubtful")
    ceiling_min: _Above0 = _practice(0.5, "time of each soak at a highest reading that others share")
    ceiling_power_percent: _Above0 = _practice(8.0, "how far apart the powers of soaks are that share it, doubtful")

    # room
    ambient_range_note_K: _Above0 = _practice(1.5, "spread of the room in the soak, note")
    ambient_range_K: _Above0 = _practice(3.0, "spread of the room in the soak, doubtful")
    ambient_rate_K_per_h: _Above0 = _practice(4.0, "steady drift of the room, doubtful")
    ambient_jump_K: _Above0 = _practice(1.0, "jump of the room within two minutes, doubtful")
    ambient_follows_power_K: _Above0 = _practice(0.8, "rise of the room with the sink, no load to highest step")
    ambient_follows_ratio: _Above1 = _simulated(3.0, "the same in its standard uncertainty, both must be exceeded")

    # logging
    gap_note_s: _Above0 = _practice(15.0, "longest hole in the readings, note")
    gap_s: _Above0 = _practice(60.0, "longest hole in the readings, doubtful")
    missing_percent: _Above0 = _practice(5.0, "readings of a sensor missing, or time in many short holes, doubtful")
    missing_unusable_percent: _Above0 = _practice(50.0, "missing in the fit window, unusable")
    soak_tolerance_s: _Above0 = _simulated(30.0, "soak against declared, note")
    soak_tolerance_percent: _Above0 = _practice(5.0, "soak against declared, doubtful")
    stuck_min: _Above0 = _practice(5.0, "shortest time without any change that is looked at")
    stuck_K: _Above0 = _simulated(0.3, "distance to where the other sensors put it, beside half a readout step")
    stuck_ratio: _Above1 = _simulated(3.0, "time without any change against what is usual on this bench")

    # shape of the trace
    drift_K: _Above0 = _simulated(0.5, "departure from the fitted approach to the settled rise, doubtful")
    drift_unusable_K: _Above0 = _simulated(2.0, "the same, unusable")
    drift_ratio: _Above1 = _simulated(4.5, "the same in its own standard uncertainty, both must be exceeded")
    drift_one_sensor_ratio: _Above1 = _simulated(7.0, "the same where one of several sensors alone shows it")
    drift_departure_ratio: _Above1 = _simulated(2.2, "or against the departure that the bench's runs usually show")
    coarse_noise_ratio: _Above0 = Field(0.3, description="least noise over readout step (Widrow & Kollar; from memory)")
    coarse_readout_K: _Above0 = _practice(0.25, "finest readout that is looked at")
    coarse_bias_K: _Above0 = _practice(0.3, "bias of a run read more coarsely than the others, doubtful")

    # between runs
    # Bonferroni point of the studentised residual: Cook & Weisberg 1982, from memory.
    between_alarm_percent: float = Field(
        1.0, gt=0, lt=50, description="chance of any false alarm in a campaign (Cook & Weisberg; from memory)"
    )
    core_spread_K: _Above0 = _practice(2.0, "a sensor against the other mounts")
    core_spread_ratio: _Above1 = _practice(5.0, "the same against its scatter between mounts")
    ladder_K: _Above0 = _simulated(0.8, "a run off its mount's ladder")
    ladder_ratio: _Above1 = _simulated(4.0, "the same, studentised, both must be exceeded")
    usual_run_sd_K: _Above0 = _simulated(0.2, "scatter of settled rises on one mount, beside the runs' own")
    usual_run_sd_dof: _Above0 = _simulated(2.0, "degrees of freedom it counts for")
    mount_off_K: _Above0 = _practice(1.5, "a mount against the others of its treatment")
    mount_off_ratio: _Above1 = _simulated(4.0, "the same, studentised, both must be exceeded")
    usual_mount_sd_K: _Above0 = _practice(0.6, "scatter of mounts at the highest step, beside the campaign's own")
    usual_mount_sd_dof: _Above0 = _simulated(4.0, "degrees of freedom it counts for")
    swap_ratio: _Above1 = _simulated(4.0, "fall of the scatter when two labels are exchanged")
    swap_gain_ratio: _Above1 = _simulated(2.0, "how much better an exchange must do than leaving one run out")


Cooling = Literal["passive", "forced"]
Measurand = Literal["hottest", "mean"]

# The range of a setting, said once: for a campaign, a build, a parameter of a report and the run sheet.
MAX_POWER_W = 1e5
PowerW = Annotated[float, Field(gt=0, le=MAX_POWER_W)]
LimitC = Annotated[float, Field(ge=-100, le=400)]
RoomC = Annotated[float, Field(ge=-100, le=200)]
MarginK = Annotated[float, Field(gt=0, le=1000)]
ConfidenceLevel = Annotated[float, Field(gt=0.5, le=0.999999)]
_UncertaintyK = Annotated[float, Field(ge=0, le=50)]
_Amount = Annotated[float, Field(gt=0, le=1e9)]


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def _table(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _name(value: str) -> str:
    # Cells of the run sheet are read without the spaces around them; such a name could never match.
    if value != value.strip():
        raise refused("name", repr(value), "a name without spaces around it")
    return value


TreatmentName = Annotated[Name, AfterValidator(_name)]


class Pack(Model):
    """A pack in which a material is sold."""

    price: float = Field(ge=0, le=1e9, description="price of the pack")
    g: _Amount | None = Field(default=None, description="mass in it, g; with use_g")
    uses: _Amount | None = Field(default=None, description="mounts it is enough for")


class Treatment(Model):
    """One thing that is compared, with its price and handling."""

    description: Text = Field(default="", description="what it is and how it is applied")
    pack_price: float | None = Field(default=None, ge=0, le=1e9, description="price of one pack")
    pack_g: _Amount | None = Field(default=None, description="mass in one pack, g")
    use_g: _Amount | None = Field(default=None, description="mass used on one mount, g")
    uses_per_pack: _Amount | None = Field(default=None, description="mounts one pack is enough for")
    packs: list[Pack] | None = Field(default=None, description="more packs: [{price, g | uses}, ...]")
    electrically_conductive: bool | None = Field(default=None, description="true or false")
    handling: Text = Field(default="", description="how it handles")

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """Two ways to count the uses must not contradict each other."""
        pack, use, uses = (_number(data.get(key)) for key in ("pack_g", "use_g", "uses_per_pack"))
        if pack and use and uses and use > 0 and abs(pack / use - uses) > 0.05 * uses:
            found = f"{uses:g} uses, but pack_g / use_g = {pack / use:g}"
            yield Broken(("uses_per_pack",), found, "uses_per_pack, or pack_g with use_g")
        if use and pack and use > pack:
            yield Broken(("use_g",), f"{use:g} g of a pack of {pack:g} g", "no more than pack_g")
        packs = data.get("packs")
        for place, entry in enumerate(packs if isinstance(packs, list) else [], start=1):
            counted = {name for name in ("g", "uses") if _table(entry).get(name) is not None}
            if len(counted) != 1 or ("g" in counted and use is None):
                found = " and ".join(sorted(counted)) or "neither g nor uses"
                yield Broken(("packs",), f"pack {place}: {found}", "g (with use_g of the treatment) or uses")

    @property
    def costs(self) -> dict[float, float]:
        """Cost of the material of one mount by the price of the pack it is taken from, where the amount is given."""
        packs = [(self.pack_price, self.pack_g, self.uses_per_pack)]
        packs += [(pack.price, pack.g, pack.uses) for pack in self.packs or ()]
        counted = [(price, uses or (g / self.use_g if g and self.use_g else None)) for price, g, uses in packs]
        return {price: price / uses for price, uses in counted if price is not None and uses is not None}

    @property
    def cost_per_mount(self) -> float | None:
        """Cost of one mount from the pack that is cheapest by the mount; None where price or amount is not given."""
        return min(self.costs.values(), default=None)


class Decision(Model):
    """What counts as a difference, set before the data are seen."""

    margin_K: MarginK = Field(description="the smallest difference that matters, K")
    reference_power_W: PowerW | None = Field(default=None, description="power of the primary estimand, W")
    confidence_level: ConfidenceLevel = Field(default=0.95, description="confidence level as a fraction")
    mounts_planned: int | None = Field(default=None, ge=1, le=10_000, description="mounts planned per treatment")


class Limits(Model):
    """Where the device throttles, and the room it will stand in."""

    temperature_C: LimitC = Field(description="temperature limit of the device, degC")
    room_C: RoomC = Field(description="the customer's room, degC")

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """Require a limit above the room."""
        limit, room = _number(data.get("temperature_C")), _number(data.get("room_C"))
        if limit is not None and room is not None and not limit > room:
            found = f"{limit:g} degC at a room of {room:g} degC"
            yield Broken(("temperature_C",), found, "a limit above limits.room_C")


class Soak(Model):
    """How long a run is meant to soak."""

    minutes: float = Field(gt=0, le=100_000, description="planned soak, min")


class UncertaintyInputs(Model):
    """Type B inputs of the uncertainty of a rise; the report shows the defaults too."""

    temperature_resolution_K: _UncertaintyK = Field(default=1.0, description="step of the readout, K")
    temperature_u_K: _UncertaintyK = Field(default=0.5, description="standard uncertainty of the sensor, K")
    ambient_u_K: _UncertaintyK = Field(default=0.3, description="standard uncertainty of the room probe, K")
    power_u_percent: float = Field(default=1.0, ge=0, le=100, description="standard uncertainty of the power, %")


class Prior(Model):
    """Pooled mount SD of earlier campaigns, without run noise."""

    mount_sd_K_per_W: MarginK | None = Field(default=None, description="mount SD per watt, K/W")
    mount_sd_K: MarginK | None = Field(default=None, description="mount SD at at_power_W, K")
    at_power_W: PowerW | None = Field(default=None, description="power of mount_sd_K, W")
    dof: float = Field(ge=1, le=1e6, description="pooled degrees of freedom, at least 1")
    source: str = Field(min_length=1, max_length=10_000, description="where it comes from")

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """One mount SD, per watt or at a power."""
        has = [key for key in ("mount_sd_K_per_W", "mount_sd_K", "at_power_W") if data.get(key) is not None]
        if has not in (["mount_sd_K_per_W"], ["mount_sd_K", "at_power_W"]):
            found = " and ".join(has) or "no mount SD"
            yield Broken((), found, "exactly one of mount_sd_K_per_W, or mount_sd_K with at_power_W")
        if isinstance(data.get("source"), str) and data["source"] and not data["source"].strip():
            yield Broken(("source",), "only spaces", "where the prior comes from")

    @property
    def sd_K_per_W(self) -> float:
        """The mount SD per watt, K/W."""
        if self.mount_sd_K_per_W is not None:
            return self.mount_sd_K_per_W
        return (self.mount_sd_K or 0.0) / (self.at_power_W or 1.0)  # both are there: the rules say so


class AnalysisSettings(Model):
    """Choices within the comparison."""

    variance: Literal["auto", "pooled", "welch"] = Field(default="auto", description="auto, pooled or welch")
    order_covariate: bool = Field(default=False, description="true or false")


class Question(Model):
    """What is compared, and what counts as a difference."""

    title: Line = Field(min_length=1, max_length=500, description="what the campaign is about")
    bench: Line = Field(default="", description="name of the bench")
    baseline: TreatmentName = Field(description="one of the treatments")
    currency: Line | None = Field(default=None, max_length=20, description="currency of the prices")
    treatments: dict[TreatmentName, Treatment] = Field(min_length=1, max_length=1000, description="one or more by name")
    decision: Decision = Field(description="{margin_K, ...}")
    prior: Prior | None = Field(default=None, description="mount SD of earlier campaigns")
    analysis: AnalysisSettings = Field(default_factory=AnalysisSettings, description="{variance, order_covariate}")

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """The baseline is one of the treatments."""
        baseline, treatments = data.get("baseline"), data.get("treatments")
        if isinstance(baseline, str) and isinstance(treatments, Mapping) and treatments and baseline not in treatments:
            names = ", ".join(repr(name) for name in list(treatments)[:30])
            yield Broken(("baseline",), repr(baseline), f"one of the treatments: {names}")


class AmbientConstant(Model):
    """A room temperature read off a thermometer."""

    value_C: float = Field(ge=-50, le=100, description="room temperature, degC")
    u_K: float = Field(gt=0, le=50, description="its standard uncertainty, K")


NO_LOG_SETTINGS = ("no such key", "required: how the logs are read")
NO_ROOM = ("no room temperature", "exactly one of log.ambient, ambient_log, ambient_constant")


class LogsAndRoom(Model):
    """How logs are read, where the room temperature comes from, and how sure the instruments are."""

    needs_logs: ClassVar[bool] = True
    """Whether there must be logs and a room, as where no run sheet can hold readings."""

    log: LogSettings | None = Field(default=None, description="how the logs are read")
    ambient_log: AmbientLogSettings | None = Field(default=None, description="a room file of its own")
    ambient_constant: AmbientConstant | None = Field(default=None, description="{value_C, u_K}")
    uncertainty: UncertaintyInputs = Field(default_factory=UncertaintyInputs, description="Type B inputs")

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """One source of room temperature, clocks that can be matched."""
        if cls.needs_logs and data.get("log") is None:
            yield Broken(("log",), *NO_LOG_SETTINGS)
        log, room = _table(data.get("log")), _table(data.get("ambient_log"))
        given = {"log.ambient": log.get("ambient")}
        given |= {name: data.get(name) for name in ("ambient_log", "ambient_constant")}
        sources = [name for name, value in given.items() if value is not None]
        if len(sources) > 1:
            path = (sources[-1],) if sources[-1] in data else ()
            yield Broken(path, " and ".join(sources), f"exactly one of {', '.join(given)}")
        elif cls.needs_logs and not sources:
            yield Broken((), *NO_ROOM)
        uncertainty = _table(data.get("uncertainty"))
        if data.get("ambient_constant") is not None and "ambient_u_K" in uncertainty:
            allowed = "ambient_constant.u_K alone when the room is constant"
            yield Broken(("uncertainty", "ambient_u_K"), "a second uncertainty of the room", allowed)
        yield from AmbientLogSettings.other_clock(room, log)

    @property
    def how_read(self) -> LogSettings:
        """How the logs are read, where there are any; raises InputError where nobody said."""
        if self.log is None:
            raise InputError([Problem("campaign.yaml (log)", *NO_LOG_SETTINGS)])
        return self.log

    @property
    def ambient_u_K(self) -> float:
        """Standard uncertainty of the room temperature, K, from the source that is used."""
        return self.uncertainty.ambient_u_K if self.ambient_constant is None else self.ambient_constant.u_K


def _kind_of_cooling(value: object) -> object:
    """Take the kind out of a table of cooling; its share is read by a path of its own."""
    if not isinstance(value, Mapping):
        return value
    kind, allowed = value.get("kind", "passive"), "passive or forced, or {kind: passive, radiated_share: 0.2}"
    unknown = [key for key in value if key not in ("kind", "radiated_share")]
    if unknown or (kind == "forced" and value.get("radiated_share") is not None):
        raise refused("cooling", f"the key {unknown[0]!r}" if unknown else "a radiated share with fans", allowed)
    return kind


_SHARE = AliasPath("cooling", "radiated_share")


class BenchSettings(LogsAndRoom):
    """All that the reduction of runs depends on, whatever the runs are made for."""

    cooling: Annotated[Cooling, BeforeValidator(_kind_of_cooling)] = Field(
        default="passive", description="passive, or forced (fixed fans)"
    )
    radiated_share: float | None = Field(
        default=None, ge=0, le=1, validation_alias=_SHARE, description="share of the heat that radiates, where known"
    )
    limits: Limits | None = Field(default=None, description="{temperature_C, room_C}")
    soak: Soak | None = Field(default=None, description="{minutes}")
    measurand: Measurand = Field(default="hottest", description="hottest or mean")
    checks: CheckThresholds = Field(CheckThresholds.model_validate({}), description="thresholds of checks, by name")

    @property
    def limit_C(self) -> float | None:
        """Temperature at which the device throttles, degC; None where none is given."""
        return None if self.limits is None else self.limits.temperature_C


class CampaignSettings(BenchSettings, Question):
    """Everything ``campaign.yaml`` says; what logs and room it may lack depends on the run sheet."""

    needs_logs: ClassVar[bool] = False

    @classmethod
    def rules(cls, data: Mapping[str, Any]) -> Iterator[Broken]:
        """Return what holds of the question, and of logs and room."""
        yield from Question.rules(data)
        yield from super().rules(data)
