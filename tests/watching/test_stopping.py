"""A small version of the study on ending a soak when `ready` says so."""

import importlib.util
import sys
from pathlib import Path

import numpy as np

STUDY = Path(__file__).parents[2] / "study" / "stopping_study.py"


def test_ending_a_soak_when_ready_says_so_keeps_the_settled_rise_and_the_coverage():
    spec = importlib.util.spec_from_file_location("stopping_study", STUDY)
    study = importlib.util.module_from_spec(spec)
    sys.modules["stopping_study"] = study
    spec.loader.exec_module(study)

    found = study.cell(study.READOUTS["0.1 K"], 30, np.random.default_rng(5))

    assert found["ended_early"] > 0.8
    assert abs(found["bias_K"]) < 0.05
    assert 0.9 < found["coverage"] < 0.98
