"""Simulate the logs of the demo campaign: a computer without fans for the chart table of a harbour pilot boat.

Everything here is invented. The boat's builder uses tern-grease and wonders about plover-paste (dear, and it conducts
electricity) and dulse-pad (cheap to handle). What is true is set below; the report has to find it from the logs.
"""

import hashlib
import sys
from datetime import datetime
from pathlib import Path

import numpy as np

import thermlab.simulate.ladders
from thermlab.simulate.ladders import SimulatedCampaign, SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import LogDialect, write_logs
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import Disturbance, SimulatedRoom, SimulatedSensors

FOLDER = Path(__file__).resolve().parent / "chart-table"
SEED = 20260302
STEPS_W = (45.0, 65.0, 85.0, 105.0, 125.0)

TREATMENTS = (
    SimulatedTreatment(name="tern-grease", resistance_K_per_W=0.120, mount_sd_K_per_W=0.0035),
    SimulatedTreatment(name="plover-paste", resistance_K_per_W=0.103, mount_sd_K_per_W=0.0035),
    SimulatedTreatment(name="dulse-pad", resistance_K_per_W=0.123, mount_sd_K_per_W=0.0035),
)

# By treatment, mount and index of the step.
WENT_WRONG = {
    # The workshop door stood open for a while, and the draught reached the sink.
    ("plover-paste", 2, 2): [Disturbance(kind="airflow", start_min=16.0, end_min=29.0, size=1.5)],
    # A warm day: at the highest step the device reaches its limit and sheds power.
    ("dulse-pad", 3, 0): [Disturbance(kind="room", start_min=-60.0, size=5.5)],
}


def campaign() -> SimulatedCampaign:
    """Simulate the whole campaign."""
    return simulate_campaign(
        passive_bench(sink_rise_K=46.0, at_power_W=125.0, time_constant_min=12.5, radiative_share=0.12, limit_C=95.0),
        TREATMENTS,
        steps_W=STEPS_W,
        rng=np.random.default_rng(SEED),
        n_mounts=3,
        soak_min=40.0,
        interval_s=2.0,
        start=datetime(2026, 3, 2, 8, 30),  # noqa: DTZ001  a bench clock without zone
        room=SimulatedRoom(mean_C=21.5, mount_sd_K=0.4, drift_K_per_h=0.35, sine_K=0.3, sine_period_min=38.0),
        sensors=SimulatedSensors(overshoot_percent=6.0, power_deviation_percent=0.3),
        limit_room_C=35.0,
        disturbances=WENT_WRONG,
    )


def stamp() -> str:
    """Return a hash of everything the logs depend on."""
    package = Path(thermlab.simulate.ladders.__file__).parent
    sources = [Path(__file__), *sorted(package.glob("*.py"))]
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources) + np.__version__.encode()).hexdigest()


def main() -> None:
    """Write the logs, unless they are there already and nothing they depend on has changed."""
    made = FOLDER / "logs" / ".made-from"
    if made.exists() and made.read_text(encoding="utf-8") == stamp():
        print(f"The demo logs are in {FOLDER / 'logs'} already.")
        return
    write_logs(FOLDER, campaign(), dialect=LogDialect())
    made.write_text(stamp(), encoding="utf-8")
    print(f"Simulated the demo logs into {FOLDER / 'logs'}.")


if __name__ == "__main__":
    sys.exit(main())
