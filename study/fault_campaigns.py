"""Simulated campaigns with one planted fault each, and clean ones, for the study of the run checks.

A campaign is simulated on one of :data:`BENCHES` and cut into traces as the logs of a real one would be: out of one
log a mount, or out of files that each hold one run after some idle time. Everything here is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from thermlab.campaign.folder import Campaign
from thermlab.campaign.runsheet import RunLine
from thermlab.campaign.settings import CampaignSettings
from thermlab.logs.log import Log, close_jumps
from thermlab.runs.trace import Trace, cut_trace
from thermlab.simulate.ladders import simulate_ladders
from thermlab.simulate.network import SimulatedBench, forced_bench, passive_bench, settled_rise, sink_rise
from thermlab.simulate.readings import Disturbance, SimulatedRoom, SimulatedSensors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

TREATMENTS = {"grease-a": 0.112, "paste-b": 0.075, "pad-c": 0.140}
MOUNT_SD_K_PER_W = 0.004
FIVE_STEPS_W = (40.0, 60.0, 80.0, 100.0, 120.0)
LIMIT_C = 95.0
LEAD_IN_MIN = 4.0
# Exchanging labels of what is alike does no harm and is not looked for.
LEAST_SWAPPED_K = {"mounts": 3.0, "runs": 1.5, "steps": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One kind of bench and how its runs are made and logged."""

    name: str
    cooling: str
    time_constant_min: float
    soak_min: float
    readout_K: float
    interval_s: float
    room: SimulatedRoom
    n_treatments: int = 2
    n_mounts: int = 3
    steps_W: tuple[float, ...] = (40.0, 65.0, 90.0, 120.0)
    own_files: bool = False
    noise_K: float = 0.3
    overshoot_percent: float = 0.0
    presoak: bool = True
    more: dict[str, Any] = field(default_factory=dict)
    """Further settings of the bench."""

    @property
    def treatments(self) -> dict[str, float]:
        """Mean resistance of each treatment, K/W."""
        return dict(list(TREATMENTS.items())[: self.n_treatments])

    @property
    def most_faults(self) -> int:
        """Faults that a campaign bears: every second mount can have one."""
        return self.n_treatments * self.n_mounts // 2

    def bench(self) -> SimulatedBench:
        """Return the bench."""
        make = passive_bench if self.cooling == "passive" else forced_bench
        return make(time_constant_min=self.time_constant_min, limit_C=LIMIT_C, **self.more)


STEADY = SimulatedRoom(mean_C=22.0, mount_sd_K=0.5, drift_K_per_h=0.1, walk_K_per_sqrt_h=0.15)
MOVING = SimulatedRoom(mean_C=21.5, mount_sd_K=0.7, drift_K_per_h=0.4, sine_K=0.35, sine_period_min=38.0)
BENCHES = (
    Setting(name="passive, 4.5 time constants, 1 K", cooling="passive", time_constant_min=10.0, soak_min=45.0,
            readout_K=1.0, interval_s=5.0, room=STEADY, steps_W=FIVE_STEPS_W),
    Setting(name="passive, 3.2 time constants, room moving, 1 K", cooling="passive", time_constant_min=12.5,
            soak_min=40.0, readout_K=1.0, interval_s=5.0, room=MOVING, overshoot_percent=6.0),
    Setting(name="passive, 2.3 time constants, room moving, 0.1 K", cooling="passive", time_constant_min=12.0,
            soak_min=28.0, readout_K=0.1, interval_s=5.0, room=MOVING),
    Setting(name="passive, own files, 1 K", cooling="passive", time_constant_min=11.0, soak_min=45.0, readout_K=1.0,
            interval_s=5.0, room=STEADY, own_files=True, overshoot_percent=6.0),
    Setting(name="forced, 6 time constants, 1 K", cooling="forced", time_constant_min=2.0, soak_min=12.0,
            readout_K=1.0, interval_s=2.0, room=STEADY, steps_W=FIVE_STEPS_W),
    Setting(name="forced, 5 time constants, room moving, 0.1 K", cooling="forced", time_constant_min=3.0,
            soak_min=15.0, readout_K=0.1, interval_s=2.0, room=MOVING, n_mounts=2),
    Setting(name="forced, own files, 1 K", cooling="forced", time_constant_min=2.0, soak_min=15.0, readout_K=1.0,
            interval_s=2.0, room=MOVING, own_files=True, overshoot_percent=6.0, n_mounts=2),
    Setting(name="passive, base plate, steps in random order, cold start, 0.1 K", cooling="passive",
            time_constant_min=13.0, soak_min=45.0, readout_K=0.1, interval_s=5.0, noise_K=0.12, presoak=False,
            room=SimulatedRoom(mean_C=23.0, mount_sd_K=0.6, walk_K_per_sqrt_h=0.4), steps_W=(80.0, 120.0, 40.0, 100.0),
            more={"base_capacity_J_per_K": 350.0, "base_resistance_K_per_W": 0.03, "radiative_share": 0.25}),
)  # fmt: skip


@dataclass(slots=True, kw_only=True)
class Plan:
    """What is to go wrong in one campaign; what a fault fills in."""

    setting: Setting
    rng: np.random.Generator
    treatment: str
    mount: int
    step: int
    disturbances: list[tuple[int, Disturbance]] = field(default_factory=list)
    """Pairs (index of the step, what goes wrong) on the mount chosen."""
    offset_K_per_W: float = 0.0
    """Added to the interface resistance of the mount."""
    spliced_K_per_W: float | None = None
    """The run chosen comes from a ladder with this much more."""
    soak_factor: float = 1.0
    """Length of every soak; all but the run chosen are cut to the usual one."""
    keep: float = 1.0
    """Part of the soak of the run chosen that is kept."""
    edit: Callable[[Trace], Trace] | None = None
    swap: str = ""
    whole_mount: bool = False

    @property
    def power_W(self) -> float:
        """Set power of the run chosen, W."""
        return self.setting.steps_W[self.step]

    @property
    def soak_min(self) -> float:
        """Soak of every run, min."""
        return self.setting.soak_min

    def between(self, low: float, high: float) -> float:
        """Draw a number."""
        return float(self.rng.uniform(low, high))

    def signed(self, low: float, high: float) -> float:
        """Draw a number and its sign."""
        return self.between(low, high) * (1.0 if self.rng.random() < 0.5 else -1.0)

    def wrong(self, kind: Any, start: float, end: float, size: float, **more: Any) -> None:
        """Plant a disturbance; times as parts of the soak."""
        soak = self.soak_min
        self.disturbances.append(
            (self.step, Disturbance(kind=kind, start_min=start * soak, end_min=end * soak, size=size, **more))
        )

    def before(self) -> float:
        """When the power of the run chosen begins, as a part of the soak."""
        return -1.0 if self.step == 0 and self.setting.presoak and not self.setting.own_files else 0.0


def air_flow(plan: Plan) -> None:
    """A draught or a failing fan: the rise moves by 1.2 to 5 K within the soak."""
    start, lasted = plan.between(0.25, 0.6), plan.between(0.3, 1.0)
    end = min(start + lasted, 1.0)
    tau, power = plan.setting.time_constant_min, plan.power_W
    seen = 1.0 - np.exp(-(end - start) * plan.soak_min / tau)
    sink = float(sink_rise(plan.setting.bench(), power))
    change = float(np.clip(plan.signed(1.2, 5.0) / seen / sink, -0.5, 1.0))
    exponent = 1.25 if plan.setting.cooling == "passive" else 1.0
    plan.wrong("airflow", start, end, (1.0 + change) ** -exponent)


def contact_changes(plan: Plan) -> None:
    """The interface gets worse by 1.2 to 4 K at constant power."""
    start = plan.between(0.2, 0.6)
    plan.wrong("interface", start, 1.0, plan.between(1.2, 4.0) / plan.power_W)


def load_interrupted(plan: Plan) -> None:
    """The load stops for a while."""
    start = plan.between(0.2, 0.85)
    plan.wrong("power", start, start + plan.between(0.04, 0.12), plan.between(0.05, 0.6))


def load_step(plan: Plan) -> None:
    """Another level of power for a part of the soak."""
    start = plan.between(0.15, 0.7)
    plan.wrong("power", start, min(1.0, start + plan.between(0.15, 0.6)), 1.0 + plan.signed(0.06, 0.15))


def power_off(plan: Plan) -> None:
    """Power 3.5 to 10 % off the set power throughout."""
    plan.wrong("power", plan.before(), 1.0, 1.0 + plan.signed(0.035, 0.10))


def power_sags(plan: Plan) -> None:
    """Power falls steadily by 4 to 10 % within the soak."""
    each = 1.0 - plan.between(0.04, 0.10) / 20.0
    for i in range(20):
        plan.wrong("power", 0.05 + 0.045 * i, 1.0, each)


def overshoot(plan: Plan) -> None:
    """Power 6 to 20 % too high for the first quarter or more."""
    plan.wrong("power", 0.0, plan.between(0.2, 0.4), 1.0 + plan.between(0.06, 0.20))


def background(plan: Plan) -> None:
    """Something else loads the device, and the log sees it."""
    start = plan.before() if plan.rng.random() < 0.4 else plan.between(0.1, 0.6)
    plan.wrong("background load", start, 1.0, plan.between(0.05, 0.14) * plan.power_W)


def unlogged(plan: Plan) -> None:
    """Something else loads the device, and the log does not see it."""
    start = plan.between(0.25, 0.6)
    path = settled_rise(plan.setting.bench(), TREATMENTS[plan.treatment], plan.power_W) / plan.power_W
    plan.wrong("unlogged power", start, 1.0, plan.between(1.5, 5.0) / float(path))


def shed(plan: Plan) -> None:
    """The device reaches its limit and gives up power."""
    plan.step = int(np.argmax(plan.setting.steps_W))
    power = plan.power_W
    hot_C = plan.setting.room.mean_C + float(
        settled_rise(plan.setting.bench(), TREATMENTS[plan.treatment], power, room_C=plan.setting.room.mean_C)
    )
    plan.offset_K_per_W = (LIMIT_C + plan.between(3.0, 9.0) - hot_C) / power


def room_jumps(plan: Plan) -> None:
    """A window is opened or a heater starts: 1.5 to 5 K at once."""
    start = plan.between(0.1, 0.8)
    plan.wrong("room", start, 1.0, plan.signed(1.5, 5.0))


def room_drifts(plan: Plan) -> None:
    """The room moves steadily by 2.5 to 6 K within the soak."""
    total = plan.signed(2.5, 6.0)
    for i in range(40):
        plan.wrong("room", i / 40.0, 1.0, total / 40.0)


def plume(plan: Plan) -> None:
    """The probe hangs in the warm air of the sink."""
    share = plan.between(0.07, 0.2)
    plan.whole_mount = True
    plan.step = 0
    plan.disturbances.append((0, Disturbance(kind="plume", start_min=-1e6, size=share)))


def stuck_hottest(plan: Plan) -> None:
    """The hottest core holds its value."""
    start = plan.between(0.0, 0.25)
    plan.wrong("stuck", start, start + plan.between(0.45, 0.6), 0.0, core=2)


def stuck_other(plan: Plan) -> None:
    """Another core holds its value."""
    start = plan.between(0.0, 0.25)
    plan.wrong("stuck", start, start + plan.between(0.45, 0.6), 0.0, core=int(plan.rng.choice([0, 1, 3])))


def stuck_all(plan: Plan) -> None:
    """All cores hold their value."""
    start = plan.between(0.05, 0.25)
    plan.wrong("stuck", start, start + plan.between(0.45, 0.6), 0.0)


def stuck_room(plan: Plan) -> None:
    """The room probe holds its value for the whole run."""
    plan.edit = lambda trace: replace(trace, ambient_C=np.full(trace.ambient_C.size, trace.ambient_C[0]))


def gap(plan: Plan) -> None:
    """Minutes without a reading."""
    start = plan.between(0.1, 0.7)
    plan.wrong("gap", start, start + plan.between(0.1, 0.25), 0.0)


def missing_readings(plan: Plan) -> None:
    """The hottest core is missing in a part of the rows."""
    part, rng = plan.between(0.15, 0.6), plan.rng

    def edit(trace: Trace) -> Trace:
        readings = trace.temperature_C.copy()
        begin = int(rng.uniform(0.0, 1.0 - part) * len(readings))
        readings[begin : begin + int(part * len(readings)), 2] = np.nan
        return replace(trace, temperature_C=readings)

    plan.edit = edit


def clock_back(plan: Plan) -> None:
    """The log's clock is set back while the run is on."""
    plan.step = len(plan.setting.steps_W) - 1
    plan.wrong("clock jump", plan.between(0.1, 0.9), 1.0, -60.0 * float(plan.rng.choice([2.0, 5.0, 12.0, 60.0])))


def clock_forward(plan: Plan) -> None:
    """The log's clock is set forward while the run is on."""
    plan.wrong("clock jump", plan.between(0.1, 0.9), 1.0, 60.0 * float(plan.rng.choice([3.0, 7.0, 20.0, 60.0])))


def soak_shorter(plan: Plan) -> None:
    """The run was ended early."""
    plan.keep = plan.between(0.6, 0.9)


def soak_longer(plan: Plan) -> None:
    """The run went on for longer than the others."""
    plan.soak_factor = plan.between(1.12, 1.5)


def short_soak(plan: Plan) -> None:
    """The run was ended before it had settled: 0.8 to 1.4 time constants."""
    plan.step = max(plan.step, 1)
    plan.keep = plan.between(0.8, 1.4) * plan.setting.time_constant_min / plan.soak_min


def core_contact(plan: Plan) -> None:
    """One core has poor contact in one mount: 3 to 7 K at the highest step."""
    plan.whole_mount = True
    plan.step = 0
    size = plan.between(3.0, 7.0) / max(plan.setting.steps_W)
    plan.disturbances.append(
        (0, Disturbance(kind="core contact", start_min=-1e6, size=size, core=int(plan.rng.choice([0, 1, 2, 3]))))
    )


def off_ladder(plan: Plan) -> None:
    """One run of a mount is 1.5 to 4 K off the others: pressed otherwise, or another mount's log."""
    plan.spliced_K_per_W = plan.signed(1.5, 4.0) / plan.power_W


def mount_off(plan: Plan) -> None:
    """One mount came out 4 to 8 K worse than the others of its treatment."""
    plan.whole_mount = True
    plan.offset_K_per_W = plan.between(4.0, 8.0) / max(plan.setting.steps_W)


def swapped_mounts(plan: Plan) -> None:
    """Two mounts of different treatments have each other's labels."""
    plan.whole_mount = True
    plan.swap = "mounts"


def swapped_runs(plan: Plan) -> None:
    """Two runs of one step have each other's labels."""
    plan.swap = "runs"


def swapped_steps(plan: Plan) -> None:
    """Two runs of one mount have each other's set power."""
    plan.swap = "steps"


def coarse(plan: Plan) -> None:
    """One run was logged with a readout of 2 or 5 K."""
    step = float(plan.rng.choice([2.0, 5.0]))
    plan.edit = lambda trace: replace(trace, temperature_C=np.round(trace.temperature_C / step) * step)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A kind of fault: how it is planted and which flags tell what it is."""

    kind: str
    plant: Callable[[Plan], None] | None
    told_by: tuple[str, ...]
    most: int = 3
    """Faults in one campaign, each on a mount of its own."""


DRIFT, STEP, POWER = "drift at constant power", "load step", "power off set"
FAULTS = (
    Fault(kind="ended before it settled", plant=short_soak, told_by=("not settled", "soak length")),
    Fault(kind="air flow changes", plant=air_flow, told_by=(DRIFT,)),
    Fault(kind="contact gets worse", plant=contact_changes, told_by=(DRIFT,)),
    Fault(kind="load the log does not see", plant=unlogged, told_by=(DRIFT,)),
    Fault(kind="load interrupted", plant=load_interrupted, told_by=(STEP,)),
    Fault(kind="step of the load", plant=load_step, told_by=(STEP, POWER)),
    Fault(kind="power off set", plant=power_off, told_by=(POWER,)),
    Fault(kind="power sags", plant=power_sags, told_by=(POWER, STEP)),
    Fault(kind="power overshoots", plant=overshoot, told_by=(POWER, STEP, "soak length")),
    Fault(kind="background load", plant=background, told_by=(POWER, STEP)),
    Fault(kind="power shed at the limit", plant=shed, told_by=("shed power at limit",)),
    Fault(kind="room jumps", plant=room_jumps, told_by=("ambient unsteady",)),
    Fault(kind="room drifts", plant=room_drifts, told_by=("ambient unsteady",)),
    Fault(kind="room probe in the plume", plant=plume, told_by=("ambient follows power",), most=2),
    Fault(kind="hottest core stuck", plant=stuck_hottest, told_by=("sensor stuck",)),
    Fault(kind="another core stuck", plant=stuck_other, told_by=("sensor stuck",)),
    Fault(kind="all cores stuck", plant=stuck_all, told_by=("sensor stuck",)),
    Fault(kind="room probe stuck", plant=stuck_room, told_by=("sensor stuck",)),
    Fault(kind="minutes missing", plant=gap, told_by=("gap",)),
    Fault(kind="readings of the hottest core missing", plant=missing_readings, told_by=("gap",)),
    Fault(kind="clock set back", plant=clock_back, told_by=("clock jump",)),
    Fault(kind="clock set forward", plant=clock_forward, told_by=("clock jump",)),
    Fault(kind="soak shorter", plant=soak_shorter, told_by=("soak length",)),
    Fault(kind="soak longer", plant=soak_longer, told_by=("soak length",)),
    Fault(kind="poor contact of one core", plant=core_contact, told_by=("core spread",), most=2),
    Fault(kind="run off its ladder", plant=off_ladder, told_by=("off the ladder",)),
    Fault(kind="mount off its treatment", plant=mount_off, told_by=("mount off its treatment",), most=1),
    Fault(kind="labels of two mounts swapped", plant=swapped_mounts, told_by=("labels may be swapped",), most=1),
    Fault(
        kind="labels of two runs swapped",
        plant=swapped_runs,
        told_by=("labels may be swapped", "off the ladder"),
        most=1,
    ),
    Fault(kind="set powers swapped", plant=swapped_steps, told_by=(POWER,)),
    Fault(kind="coarse readout", plant=coarse, told_by=("coarse readout",)),
)
CLEAN = Fault(kind="clean", plant=None, told_by=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One campaign: what the library is given, and what is wrong with it."""

    fault: Fault
    setting: Setting
    campaign: Campaign
    traces: tuple[Trace | None, ...]
    faulty: frozenset[str]


def make_cases(fault: Fault, setting: Setting, n: int, rng: np.random.Generator) -> Iterator[Case]:
    """Simulate `n` campaigns with one fault of the kind each, all at once."""
    names = [(t, m) for t in setting.treatments for m in range(setting.n_mounts)]
    plans = [_plans(fault, setting, names, rng) for _ in range(n)]
    resistances: list[float] = []
    disturbances: dict[tuple[int, int], list[Disturbance]] = {}
    own = np.array(list(setting.treatments.values()))
    for c, together in enumerate(plans):
        drawn = np.repeat(own, setting.n_mounts) + rng.normal(0.0, MOUNT_SD_K_PER_W, len(names))
        for plan in together:
            at = names.index((plan.treatment, plan.mount))
            drawn[at] += plan.offset_K_per_W
            for step, found in plan.disturbances:
                disturbances.setdefault((c * len(names) + at, step), []).append(found)
        resistances += drawn.tolist()
    extra = {}
    for c, together in enumerate(plans):
        for plan in together:
            if plan.spliced_K_per_W is not None:
                at = names.index((plan.treatment, plan.mount))
                extra[c, at] = len(resistances)
                resistances.append(resistances[c * len(names) + at] + plan.spliced_K_per_W)
    soak_factor = max(plan.soak_factor for together in plans for plan in together)
    ladders = simulate_ladders(
        setting.bench(), resistances, setting.steps_W, rng=rng, soak_min=setting.soak_min * soak_factor,
        presoak_min=None if setting.presoak and not setting.own_files else 0.0, lead_min=10.0,
        between_min=1.5 * setting.time_constant_min if setting.own_files else 0.0, interval_s=setting.interval_s,
        step_s=min(setting.interval_s, 2.5 if setting.cooling == "passive" else 2.0), room=setting.room,
        sensors=SimulatedSensors(
            resolution_K=setting.readout_K, noise_K=setting.noise_K, power_deviation_percent=0.3,
            overshoot_percent=setting.overshoot_percent,
        ),
        disturbances=disturbances,
    )  # fmt: skip
    for c, together in enumerate(plans):
        mine = ladders[c * len(names) : (c + 1) * len(names)]
        splices = {at: ladders[place] for (campaign, at), place in extra.items() if campaign == c}
        yield _case(fault, setting, together, names, mine, splices, soak_factor)


def _plans(fault: Fault, setting: Setting, names: list[tuple[str, int]], rng: np.random.Generator) -> list[Plan]:
    """Plan the faults of one campaign, each on a mount of its own."""
    several = min(fault.most, setting.most_faults)
    plans = []
    for place in rng.choice(len(names), several, replace=False).tolist():
        treatment, mount = names[place]
        step = int(rng.integers(len(setting.steps_W)))
        plan = Plan(setting=setting, rng=rng, treatment=treatment, mount=mount, step=step)
        if fault.plant is not None:
            fault.plant(plan)
        plans.append(plan)
    return plans


def _case(
    fault: Fault, setting: Setting, plans: list[Plan], names: list[tuple[str, int]], ladders: list[Any],
    splices: dict[int, Any], soak_factor: float,
) -> Case:  # fmt: skip
    lines: list[RunLine] = []
    traces: list[Trace | None] = []
    faulty: set[str] = set()
    for place, ((treatment, mount), ladder) in enumerate(zip(names, ladders, strict=True)):
        for step, power in enumerate(setting.steps_W):
            chosen = next((p for p in plans if (p.treatment, p.mount, p.step) == (treatment, mount, step)), None)
            line = RunLine(
                run=f"{treatment}-{mount + 1}-{power:g}", treatment=treatment, mount=str(mount + 1), set_power_W=power,
                log=f"{treatment}-{mount + 1}.csv",
                line=len(lines) + 2,
            )  # fmt: skip
            source = splices.get(place, ladder) if chosen is not None else ladder
            trace = _trace(line, source, step, place, setting, chosen, soak_factor)
            if chosen is not None and trace is not None and chosen.edit is not None:
                trace = chosen.edit(trace)
            if any(p.whole_mount and (p.treatment, p.mount) == (treatment, mount) for p in plans) or chosen is not None:
                faulty.add(line.run)
            lines.append(line)
            traces.append(trace)
    for plan in plans:
        if plan.swap:
            resistance = {key: ladder.resistance_K_per_W for key, ladder in zip(names, ladders, strict=True)}
            faulty |= _swap(plan, lines, traces, resistance)
    # Mounts are made in blocks, one of each treatment.
    order = sorted(range(len(lines)), key=lambda i: (int(lines[i].mount), i))
    campaign = Campaign(
        folder=None, settings=_settings(setting), runs=tuple(lines[i] for i in order), sha256={}, cautions=()
    )  # type: ignore[arg-type]
    return Case(
        fault=fault, setting=setting, campaign=campaign, traces=tuple(traces[i] for i in order),
        faulty=frozenset(faulty) if fault.plant is not None else frozenset(),
    )  # fmt: skip


def _trace(
    line: RunLine, ladder: Any, step: int, place: int, setting: Setting, chosen: Plan | None, soak_factor: float
) -> Trace | None:
    start, end = ladder.log_starts_s[step], ladder.log_ends_s[step]
    usual = 60.0 * setting.soak_min
    if soak_factor != 1.0:
        end = start + usual * (chosen.soak_factor if chosen is not None else 1.0)
    if chosen is not None and chosen.keep < 1.0:
        end = start + usual * chosen.keep
    epoch = 1.77e9 + 86400.0 * place
    raw = ladder.time_s + epoch
    time_s, jumps = raw, ()
    first, last = 0, raw.size
    if setting.own_files:
        # The log of one run: some idle time, the soak, nothing else.
        soak = np.flatnonzero(_inside(ladder.time_s, start - 60.0 * LEAD_IN_MIN, end))
        first, last = int(soak[0]), int(soak[-1]) + 1
    rows = slice(first, last)
    raw = raw[rows]
    if (np.diff(raw) < 0).any():
        raw, time_s, jumps = close_jumps(SimpleNamespace(key="log", notes=[]), raw, np.arange(raw.size) + 2, "calendar")
    else:
        time_s = raw
    log = Log(
        name=line.log, sha256="", clock="calendar", time_s=time_s, raw_time_s=raw, jumps=jumps,
        sensors=("core 1", "core 2", "core 3", "core 4"), temperature_C=ladder.temperature_C[rows],
        power_W=ladder.power_W[rows], clock_MHz=None, ambient_C=ladder.ambient_C[rows], notes=(), n_missing={},
    )  # fmt: skip
    own = setting.own_files
    return cut_trace(
        line, log, start_s=None if own else start + epoch, end_s=None if own else end + epoch, room=None,
        limit_C=LIMIT_C,
    )  # fmt: skip


def _inside(time_s: Any, start: float, end: float) -> Any:
    """Rows from the first at or after `start` to the last at or before `end`, whatever the clock does between."""
    first = int(np.flatnonzero(time_s >= start - 1e-6)[0])
    after = np.flatnonzero(time_s[first:] <= end + 1e-6)
    inside = np.zeros(time_s.size, dtype=np.bool_)
    inside[first : first + int(after[-1]) + 1] = True
    return inside


def _swap(
    plan: Plan, lines: list[RunLine], traces: list[Trace | None], resistance: dict[tuple[str, int], float]
) -> set[str]:
    """Exchange labels: the traces of two mounts, of two runs of one step, or of two steps of one mount."""
    others = [(t, m) for t in plan.setting.treatments if t != plan.treatment for m in range(plan.setting.n_mounts)]
    least = LEAST_SWAPPED_K[plan.swap] / (plan.power_W if plan.swap == "runs" else max(plan.setting.steps_W))
    unlike = [key for key in others if abs(resistance[key] - resistance[plan.treatment, plan.mount]) > least]
    treatment, mount = unlike[plan.rng.integers(len(unlike))] if unlike else others[0]
    other = (treatment, str(mount + 1))
    mine = [i for i, line in enumerate(lines) if (line.treatment, line.mount) == (plan.treatment, str(plan.mount + 1))]
    theirs = [i for i, line in enumerate(lines) if (line.treatment, line.mount) == other]
    if plan.swap == "mounts":
        pairs = list(zip(mine, theirs, strict=True))
    elif plan.swap == "runs":
        pairs = [(mine[plan.step], theirs[plan.step])]
    else:
        second = (plan.step + 1 + int(plan.rng.integers(len(mine) - 1))) % len(mine)
        pairs = [(mine[plan.step], mine[second])]
    for i, j in pairs:
        traces[i], traces[j] = _relabel(traces[j], lines[i]), _relabel(traces[i], lines[j])
    return {lines[i].run for pair in pairs for i in pair}


def _relabel(trace: Trace | None, line: RunLine) -> Trace | None:
    if trace is None:
        return None
    return replace(trace, run=line.run, treatment=line.treatment, mount=line.mount, set_power_W=line.set_power_W)


def _settings(setting: Setting) -> CampaignSettings:
    return CampaignSettings.model_validate(
        {
            "title": "faults",
            "cooling": setting.cooling,
            "baseline": "grease-a",
            "treatments": {name: {} for name in setting.treatments},
            "decision": {"margin_K": 1.0},
            "limits": {"temperature_C": LIMIT_C, "room_C": 35.0},
            "log": {
                "time": {"columns": ["t"], "unit": "s"},
                "temperature": {"columns": ["core *"], "unit": "degC"},
                "power": {"columns": ["p"], "unit": "W"},
                "ambient": {"columns": ["room"], "unit": "degC"},
            },
            "uncertainty": {"temperature_resolution_K": setting.readout_K},
        }
    )
