"""Every threshold of the run checks, in one place.

The keys are those of ``checks:`` in ``campaign.yaml``; the report shows each
value. Where a threshold has no published source it says so.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

PRACTICE = "common practice, no source"
SIMULATED = "simulation: make study"


class CheckThresholds(BaseModel):
    """Thresholds of the run checks; all are in the unit their name ends in."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    # not settled
    settled_left_K: float = Field(
        0.5, gt=0, description=f"a run counts as settled when at most this is left, with its bound; {SIMULATED}"
    )
    trusted_soak_time_constants: float = Field(
        1.6, gt=0, description=f"shortest soak whose extrapolation is trusted; {SIMULATED}"
    )
    trusted_left_K: float = Field(2.0, gt=0, description=f"most that a trusted extrapolation may add; {SIMULATED}")
    steady_window_min: float = Field(15.0, gt=0, description=f"longest window of the settled rule; {SIMULATED}")

    # power
    power_off_note_percent: float = Field(1.0, gt=0, description=f"logged against set power, note; {PRACTICE}")
    power_off_doubtful_percent: float = Field(
        2.5, gt=0, description=f"logged against set power, beyond that of the other runs, doubtful; {PRACTICE}"
    )
    power_off_unusable_percent: float = Field(15.0, gt=0, description=f"logged against set power, unusable; {PRACTICE}")
    power_drift_percent: float = Field(2.5, gt=0, description=f"overshoot or sag of power within the soak; {PRACTICE}")
    power_drift_ratio: float = Field(
        4.0, gt=1, description=f"the same in its standard uncertainty, both must be exceeded; {SIMULATED}"
    )
    load_step_percent: float = Field(4.0, gt=0, description=f"lasting step of power within the soak; {PRACTICE}")
    load_step_min: float = Field(0.5, gt=0, description=f"shortest interruption that counts; {PRACTICE}")
    shed_power_percent: float = Field(2.0, gt=0, description=f"held power below set, at the limit; {PRACTICE}")
    shed_limit_K: float = Field(2.0, gt=0, description=f"distance to the limit that counts as at it; {PRACTICE}")

    # room
    ambient_range_note_K: float = Field(1.5, gt=0, description=f"spread of the room in the soak, note; {PRACTICE}")
    ambient_range_K: float = Field(3.0, gt=0, description=f"spread of the room in the soak, doubtful; {PRACTICE}")
    ambient_rate_K_per_h: float = Field(4.0, gt=0, description=f"steady drift of the room, doubtful; {PRACTICE}")
    ambient_jump_K: float = Field(1.0, gt=0, description=f"jump of the room within two minutes, doubtful; {PRACTICE}")
    ambient_follows_power_K: float = Field(
        0.8, gt=0, description=f"rise of the room with the sink, from no load to the highest step; {PRACTICE}"
    )
    ambient_follows_ratio: float = Field(
        3.0, gt=1, description=f"the same in its standard uncertainty, both must be exceeded; {SIMULATED}"
    )

    # logging
    gap_note_s: float = Field(15.0, gt=0, description=f"longest hole in the readings, note; {PRACTICE}")
    gap_s: float = Field(60.0, gt=0, description=f"longest hole in the readings, doubtful; {PRACTICE}")
    missing_percent: float = Field(
        5.0, gt=0, description=f"readings of a sensor missing, or time in many short holes, doubtful; {PRACTICE}"
    )
    missing_unusable_percent: float = Field(50.0, gt=0, description=f"missing in the fit window, unusable; {PRACTICE}")
    soak_tolerance_s: float = Field(30.0, gt=0, description=f"soak against declared, note; {SIMULATED}")
    soak_tolerance_percent: float = Field(5.0, gt=0, description=f"soak against declared, doubtful; {PRACTICE}")
    stuck_min: float = Field(5.0, gt=0, description=f"shortest time without any change that is looked at; {PRACTICE}")
    stuck_K: float = Field(
        0.3, gt=0, description=f"distance to where the other sensors put it, beside half a readout step; {SIMULATED}"
    )
    stuck_ratio: float = Field(
        3.0, gt=1, description=f"time without any change against what is usual on this bench; {SIMULATED}"
    )

    # shape of the trace
    drift_K: float = Field(
        0.5, gt=0, description=f"departure from the fitted approach to the settled rise, doubtful; {SIMULATED}"
    )
    drift_unusable_K: float = Field(2.0, gt=0, description=f"the same, unusable; {SIMULATED}")
    drift_ratio: float = Field(
        4.5, gt=1, description=f"the same in its own standard uncertainty, both must be exceeded; {SIMULATED}"
    )
    drift_one_sensor_ratio: float = Field(
        7.0, gt=1, description=f"the same where one of several sensors alone shows it; {SIMULATED}"
    )
    drift_departure_ratio: float = Field(
        2.2, gt=1, description=f"or against the departure that the bench's runs usually show; {SIMULATED}"
    )
    coarse_noise_ratio: float = Field(
        0.3, gt=0, description="noise over readout step below which a mean is biased (Widrow & Kollar; from memory)"
    )
    coarse_readout_K: float = Field(0.25, gt=0, description=f"finest readout that is looked at; {PRACTICE}")
    coarse_bias_K: float = Field(
        0.3, gt=0, description=f"bias of a run read more coarsely than the others, doubtful; {PRACTICE}"
    )

    # between runs
    between_alarm_percent: float = Field(
        1.0,
        gt=0,
        lt=50,
        description="chance that a sound campaign has any run off its ladder, or any mount off its treatment, "
        "Bonferroni point of the studentised residual (Cook & Weisberg 1982; from memory)",
    )
    core_spread_K: float = Field(2.0, gt=0, description=f"a sensor against the other mounts; {PRACTICE}")
    core_spread_ratio: float = Field(5.0, gt=1, description=f"the same against its scatter between mounts; {PRACTICE}")
    ladder_K: float = Field(0.8, gt=0, description=f"a run off its mount's ladder; {SIMULATED}")
    ladder_ratio: float = Field(4.0, gt=1, description=f"the same, studentised, both must be exceeded; {SIMULATED}")
    usual_run_sd_K: float = Field(
        0.2, gt=0, description=f"scatter of settled rises on one mount, taken together with the runs' own; {SIMULATED}"
    )
    usual_run_sd_dof: float = Field(2.0, gt=0, description=f"degrees of freedom it counts for; {SIMULATED}")
    mount_off_K: float = Field(1.5, gt=0, description=f"a mount against the others of its treatment; {PRACTICE}")
    mount_off_ratio: float = Field(4.0, gt=1, description=f"the same, studentised, both must be exceeded; {SIMULATED}")
    usual_mount_sd_K: float = Field(
        0.6,
        gt=0,
        description=f"scatter of mounts at the highest step, taken together with the campaign's own; {PRACTICE}",
    )
    usual_mount_sd_dof: float = Field(4.0, gt=0, description=f"degrees of freedom it counts for; {SIMULATED}")
    swap_ratio: float = Field(4.0, gt=1, description=f"fall of the scatter when two labels are exchanged; {SIMULATED}")
    swap_gain_ratio: float = Field(
        2.0, gt=1, description=f"how much better an exchange must do than leaving one run out; {SIMULATED}"
    )


def describe(thresholds: CheckThresholds) -> list[dict[str, object]]:
    """List every threshold with its value and where it comes from.

    Parameters
    ----------
    thresholds : CheckThresholds
        The thresholds in use.

    Returns
    -------
    list of dict
        One entry per threshold: ``name``, ``value``, ``default``, ``meaning``.
    """
    return [
        {
            "name": name,
            "value": getattr(thresholds, name),
            "default": info.default,
            "meaning": info.description or "",
        }
        for name, info in type(thresholds).model_fields.items()
    ]
