"""Runs: logs and run sheet in, one settled rise with its flags for each run out.

``trace`` cuts a log into runs, ``time_constant`` and ``settled_rise`` make a rise of each, ``checks`` judges it.
"""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    **{"checks.between": "check_readings reading_marks same_readings"},
    reading="check cut_run read_campaign_logs read_room",
    records="Array Booleans FLAG_NAMES Flag HeldPower NO_LOG ReducedRun SETTLED_RISE SensorRise TOO_SHORT Severity "
    "raise_flag rise_name",
    settled_rise="Estimate time_constant_leverage",
    settled_runs="BenchReduction RunTrace STEPS_APART SettledRuns bench_curve check_runs curve_through "
    "estimate_under_way order_made own_time_constant reduce_bench reduce_runs reduced_run settle_runs unread_run",
    time_constant="BenchTimeConstant COOLINGS SHOWN_BY_ONE_SOAK decay",
    trace="Blocks Trace block_means known_mean",
)
