"""Write a plan as a campaign folder that only waits for its logs: all of it, or nothing."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermlab import __version__
from thermlab.base.errors import InputError, Problem
from thermlab.base.files import sync_folder, write_file
from thermlab.campaign.folder import load_campaign
from thermlab.planning.bench_sheet import LOG_FOLDER, bench_sheet_html, run_sheet_csv
from thermlab.reports.results import plain

if TYPE_CHECKING:
    from thermlab.planning.records import Plan

SCHEMA = 1


def write_plan(plan: Plan, folder: str | Path) -> Path:
    """Write ``campaign.yaml``, ``runs.csv``, ``bench_sheet.html`` and ``plan.json`` into a new folder.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    folder : str or Path
        A folder that does not exist, or is empty. Nothing is ever overwritten.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputError
        The folder holds something, or cannot be made.
    """
    target = Path(folder)
    _check_target(target)
    files = {
        "campaign.yaml": campaign_yaml(plan),
        "runs.csv": run_sheet_csv(plan.runs, soak_min=plan.times.soak_min),
        "bench_sheet.html": bench_sheet_html(
            plan.runs,
            plan.entries,
            title=plan.title,
            soak_min=plan.times.soak_min,
            seed=plan.request.seed,
            treatments=dict.fromkeys(plan.request.treatments, ""),
        ),
        "plan.json": json.dumps(plan_results(plan), ensure_ascii=False, indent=1, allow_nan=False) + "\n",
    }
    target.parent.mkdir(parents=True, exist_ok=True)
    staged = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    try:
        staged.chmod(0o755)
        (staged / LOG_FOLDER).mkdir()
        for name, text in files.items():
            write_file(staged / name, text.encode())
        load_campaign(staged)  # what the kit writes, the kit can read
        sync_folder(staged)
        if target.exists():
            target.rmdir()  # empty, as checked; anything put there since makes this fail and stays
        staged.rename(target)
    except OSError as error:
        raise InputError([Problem(str(target), f"a folder that cannot be made ({error})", "a new folder")]) from error
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    return target


def _check_target(target: Path) -> None:
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise InputError([Problem(str(target), "a file or a link", "a new or an empty folder")])
    if target.is_dir() and any(target.iterdir()):
        raise InputError([Problem(str(target), "a folder that is not empty", "a new or an empty folder")])


def plan_results(plan: Plan) -> dict[str, Any]:
    """Return the plan as JSON-native data, with the request it was made from.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    data: dict[str, Any] = plain(plan)
    request = data["request"]
    for name in ("pilot", "archive"):
        request[name] = None if request[name] is None else Path(request[name]).name
    return {"schema": SCHEMA, "thermlab_version": __version__, **data}


def campaign_yaml(plan: Plan) -> str:
    """Return ``campaign.yaml`` with the decision, limits and soak of the plan; the log columns are a start to edit.

    Parameters
    ----------
    plan : Plan
        What is to be made.
    """
    request = plan.request
    lines = [
        "# Written by thermlab plan. Lines marked EDIT are guesses: set them to what your logger writes.",
        f"title: {_quoted(plan.title)}",
        f"bench: {_quoted(request.bench or 'bench-1')}               # EDIT: name of the bench; one name, one bench",
        "cooling: passive               # EDIT: passive | forced (fixed fans)",
        f"baseline: {_quoted(request.baseline)}",
        "currency: EUR                  # EDIT",
        "treatments:",
    ]
    for name in request.treatments:
        lines += [
            f"  {_quoted(name)}:",
            '    description: ""            # EDIT: material, amount, spreading, torque, frame',
            '    handling: ""               # EDIT; price as pack_price with uses_per_pack, or with pack_g and use_g',
        ]
    lines += [
        "decision:                      # set before the data are seen; a report shows every later change",
        f"  margin_K: {_number(request.margin_K)}",
        f"  reference_power_W: {_number(request.reference_W)}",
        f"  confidence_level: {_number(request.confidence_level)}",
        f"  mounts_planned: {plan.n_mounts}",
    ]
    if request.throttle:
        lines += [
            "limits:",
            f"  temperature_C: {_number(request.limit_C)}        # where the device throttles",
            f"  room_C: {_number(request.customers_room_C)}               # the customer's room",
        ]
    lines += [
        "soak:",
        f"  minutes: {_number(plan.times.soak_min)}",
        "log:                           # EDIT: how the sensor logs are written; nothing is guessed",
        '  delimiter: ","',
        '  decimal: "."',
        "  encoding: utf-8",
        '  time: {columns: [time], format: "%Y-%m-%d %H:%M:%S"}',
        '  temperature: {columns: ["die * [degC]"], unit: degC}',
        '  power: {columns: ["heater power [W]"], unit: W}',
        '  ambient: {columns: ["room [degC]"], unit: degC}',
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # A JSON string is a YAML string.
    return json.dumps(text, ensure_ascii=False)


def _number(value: float) -> str:
    # YAML 1.1 takes 1e-05 for text.
    text = f"{value:.12g}"
    return f"{value:.15f}".rstrip("0") if "e" in text else text
