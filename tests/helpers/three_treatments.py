"""Reduced runs of three treatments with three mounts each, made by hand."""

from dataclasses import replace

from thermlab.runs.records import Flag, ReducedRun

RISES = {"grease-a": (50.0, 50.4, 49.8), "pad-b": (47.0, 47.3, 46.9), "sheet-c": (50.1, 50.6, 49.9)}


def flagged(run, name, severity="doubtful"):
    return replace(run, flags=(*run.flags, Flag(flag=name, severity=severity, reason="", evidence={})))


def campaign(*, steps_W=(60.0, 90.0)):
    return tuple(
        ReducedRun(
            run=f"{treatment}-{mount}-{power:g}",
            treatment=treatment,
            mount=str(mount),
            set_power_W=power,
            rise_K=rise * power / 90.0,
            order=10 * mount,
        )
        for treatment, rises in RISES.items()
        for mount, rise in enumerate(rises)
        for power in steps_W
    )
