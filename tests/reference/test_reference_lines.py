"""Least squares, curves and their inverse against published values.

Certified values: NIST Statistical Reference Datasets, https://www.itl.nist.gov/div898/strd/.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from thermlab.stats.curves import predict_inverse
from thermlab.stats.least_squares import fit_linear

DATA = json.loads((Path(__file__).parents[1] / "reference" / "comparison_data.json").read_text(encoding="utf-8"))


def digits(found, certified):
    """Smallest number of digits that agree (log relative error)."""
    found, certified = np.atleast_1d(found).astype(float), np.atleast_1d(certified).astype(float)
    error = np.abs(found - certified) / np.abs(certified)
    return float(np.min(-np.log10(np.maximum(error, 1e-16))))


def columns(name):
    rows = np.array(DATA[name]["rows"])
    return rows[:, 0], rows[:, 1:]


def test_norris_line_to_nine_digits():
    y, x = columns("Norris")
    fit = fit_linear(np.column_stack([np.ones(y.size), x[:, 0]]), y)
    assert digits(fit.coefficients, [-0.262323073774029, 1.00211681802045]) >= 9
    assert digits(fit.standard_errors, [0.232818234301152, 0.429796848199937e-03]) >= 9
    assert digits(fit.residual_sd, 0.884796396144373) >= 9


def test_noint1_line_through_the_origin_to_nine_digits():
    y, x = columns("NoInt1")
    fit = fit_linear(x, y)
    assert digits(fit.coefficients, 2.07438016528926) >= 9
    assert digits(fit.standard_errors, 0.0165289256198347) >= 9
    assert digits(fit.residual_sd, 3.56753034006338) >= 9


def test_longley_to_nine_digits():
    y, x = columns("Longley")
    fit = fit_linear(np.column_stack([np.ones(y.size), x]), y)
    certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-01,
        1829.15146461355,
    ]
    assert digits(fit.coefficients, certified) >= 9
    assert digits(fit.residual_sd, 304.854073561965) >= 9


# Digits that double precision allows for these deliberately ill-conditioned polynomials with raw powers.
@pytest.mark.parametrize(
    ("scale", "coefficient", "wanted"),
    [(0.0, 1.0, 8.5), (0.0, 0.1, 9.0), (1.0, 1.0, 8.5), (100.0, 1.0, 7.0), (1e4, 1.0, 5.5)],
)
def test_wampler_polynomials(scale, coefficient, wanted):
    x = np.arange(21.0)
    half = [759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048]
    delta = np.array(half + half[-2::-1], dtype=float)
    true = coefficient ** np.arange(6)
    y = sum(c * x**k for k, c in enumerate(true)) + scale * delta
    fit = fit_linear(np.column_stack([x**k for k in range(6)]), y)
    assert digits(fit.coefficients, true) >= wanted
    if scale == 1.0:
        assert digits(fit.residual_sd, 2360.14502379268) >= 9
        certified = [
            2152.32624678170,
            2363.55173469681,
            779.343524331583,
            101.475507550350,
            5.64566512170752,
            0.112324854679312,
        ]
        assert digits(fit.standard_errors, certified) >= 9


def test_gum_h3_thermometer_line():
    """JCGM 100:2008, H.3; twelve-digit values from the GTC documentation (MSLNZ/GTC, docs/API/GUM_H3.rst)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    fit = fit_linear(np.column_stack([np.ones(t.size), t - 20.0]), b)
    assert fit.coefficients[0] == pytest.approx(-0.17120379013135, abs=5e-13)
    assert fit.coefficients[1] == pytest.approx(0.00218269773988729, abs=5e-14)
    assert fit.standard_errors[0] == pytest.approx(0.0029, abs=5e-5)
    assert fit.standard_errors[1] == pytest.approx(0.000667938772778, abs=5e-13)
    assert fit.residuals @ fit.residuals == pytest.approx(1.10096583109e-04, rel=1e-9)
    covariance = fit.unscaled_covariance
    assert covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(-0.930, abs=5e-4)
    assert (fit.residual_sd, fit.dof) == (pytest.approx(0.0035, abs=5e-5), 9)
    row = np.array([1.0, 10.0])
    assert row @ fit.coefficients == pytest.approx(-0.1494, abs=5e-5)
    assert fit.residual_sd * math.sqrt(row @ covariance @ row) == pytest.approx(0.0041, abs=5e-5)


def line(x, y):
    return fit_linear(np.column_stack([np.ones(len(x)), np.asarray(x, float)]), np.asarray(y, float))


def basis(x):
    return np.array([1.0, x])


def test_inverse_of_a_mean_response_reaction_chamber():
    """Graybill & Iyer 1994, Regression Analysis, ch. 6 (regulation), as quoted in the CRAN investr tests: 99 %."""
    dial = np.arange(0.0, 101.0, 10.0)
    temperature = [206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16]
    found = predict_inverse(line(dial, temperature), basis, 400.0, (0.0, 100.0), confidence_level=0.99)
    assert found == (pytest.approx(65.07, abs=0.005), pytest.approx(68.03, abs=0.005))


def test_flat_line_has_an_unbounded_interval_and_no_number_for_it():
    """With g = t2 s2 / (b2 Sxx) of 1 or more the set of abscissae is unbounded (Fieller 1954)."""
    fit = line([1.0, 2.0, 3.0, 4.0, 5.0], [1.0, 3.0, 0.5, 2.5, 1.6])
    found = predict_inverse(fit, basis, 1.75, (-50.0, 50.0))
    assert found is None
    assert predict_inverse(fit, basis, 99.0, (-50.0, 50.0)) is None
