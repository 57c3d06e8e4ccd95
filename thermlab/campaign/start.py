"""Start a campaign: a commented ``campaign.yaml`` and an empty run sheet."""

from __future__ import annotations

from pathlib import Path

from thermlab.base.errors import InputError, Problem
from thermlab.base.files import write_file
from thermlab.campaign.folder import SETTINGS_NAME
from thermlab.campaign.runsheet import NAME, OPTIONAL, REQUIRED

CAMPAIGN_YAML = """\
# One comparison on one bench. Fill in what is marked <...>, then: thermlab check .
title: <what is compared, and for what>
bench: <name of the bench>
cooling: passive                # passive | forced (fixed fans)
currency: EUR

# What is compared: a material with its application procedure, a cooler, a frame ...
# All keys of a treatment are optional. Price: uses_per_pack, or pack_g with use_g.
baseline: <name of the one in use>
treatments:
  <name of the one in use>:
    description: <material, how it is applied, with which frame and torque>
    # pack_price: 6.40
    # pack_g: 4.0
    # use_g: 0.5
    # electrically_conductive: false
    # handling: spreads easily
  <name of the candidate>:
    description: <the same>
    # pack_price: 9.80
    # uses_per_pack: 6

# Set this before the data are seen.
decision:
  margin_K: 1.0                 # the smallest difference that matters, K
  # reference_power_W: 90       # default: the highest step that every used mount has
  # confidence_level: 0.95
  # mounts_planned: 3           # fresh mounts of each treatment

# Where the device throttles, and the customer's room. Leave out where that is not asked.
limits:
  temperature_C: 95
  room_C: 35

soak:
  minutes: 40

measurand: hottest              # hottest sensor | mean of the sensors

# How the logs are written. Nothing is guessed: what does not fit is an error with its line.
log:
  delimiter: ","
  decimal: "."
  encoding: utf-8               # or utf-16, cp1252, latin-1 ...
  missing: []                   # texts that stand for a missing value, such as "-"; empty always does
  time: {columns: [time], format: "%Y-%m-%d %H:%M:%S"}   # or {columns: [t], unit: s} for elapsed time
  temperature: {columns: ["core * [degC]"], unit: degC}  # * and ? are wildcards; degC, degF or K
  power: {columns: ["heater power [W]"], unit: W}
  # clock: {columns: ["clock [MHz]"], unit: MHz}
  ambient: {columns: ["room [degC]"], unit: degC}

# Exactly one source of the room temperature: log.ambient above, or a file of its own ...
# ambient_log: {file: logs/room.csv, delimiter: ";", decimal: ",", encoding: utf-8,
#               time: {columns: [time], format: "%Y-%m-%d %H:%M"}, columns: [room], unit: degC, clock_offset_s: 0}
# ... or a value read off a thermometer:
# ambient_constant: {value_C: 22.0, u_K: 1.0}

# Standard uncertainties of the instruments (Type B).
uncertainty:
  temperature_resolution_K: 1.0
  temperature_u_K: 0.5
  ambient_u_K: 0.3              # not with ambient_constant
  power_u_percent: 1.0

# What earlier campaigns say about the scatter between mounts; makes one mount each usable, with a caution.
# prior: {mount_sd_K_per_W: 0.006, dof: 12, source: "campaigns of last year"}

# runs.csv, one line per run: run is any name; mount is 1, 2, 3 ... for each fresh mount of a treatment; start and end
# are in the log's own time and cut the run out of its log (blank: the whole log is one run); exclude is the reason to
# leave a run out (blank: used). A spreadsheet may save it with semicolons.

# analysis: {variance: auto, order_covariate: false}     # variance: auto | pooled | welch
# checks: {}                    # thresholds of the run checks, by name; the report shows the defaults
"""


def new(folder: str | Path) -> Path:
    """Write a commented ``campaign.yaml``, an empty ``runs.csv`` and an empty ``logs/``.

    Parameters
    ----------
    folder : str or Path
        A new or existing folder; nothing in it is overwritten.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputError
        Where one of the files is there already, or the folder cannot be written.
    """
    root = Path(folder)
    try:
        _refuse_existing(root)
        (root / "logs").mkdir(parents=True, exist_ok=True)
        for name, text in ((SETTINGS_NAME, CAMPAIGN_YAML), (NAME, ",".join(REQUIRED + OPTIONAL) + "\n")):
            write_file(root / name, text.encode())
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        problem = Problem(str(root), f"a folder that cannot be written ({error})", "a new or writable folder")
        raise InputError([problem]) from None
    return root


def _refuse_existing(root: Path) -> None:
    there = [name for name in (SETTINGS_NAME, NAME) if (root / name).exists() or (root / name).is_symlink()]
    if there:
        raise InputError([Problem(str(root / name), "a file that is there already", "a new file") for name in there])
