"""The kit's distributions against integrals of their definitions in 20 digits, by mpmath, a third general library.

The definitions are those of the textbooks: Student's t and chi-squared by their density, a ratio to a chi variable by
integrating over it, Dunnett's by one more integral over the common normal variable (Dunnett 1955, J. Am. Stat. Assoc.
50:1096). Nothing of numpy or scipy takes part on the right-hand side.
"""

import pytest
from mpmath import betainc, gamma, gammainc, inf, mp, mpf, ncdf, npdf, quad, sqrt

from thermlab.stats.dunnett import dunnett_critical, dunnett_probability, t_point, t_tail
from thermlab.stats.power import noncentral_t_power, sd_upper_limit, tost_power


@pytest.fixture(autouse=True)
def twenty_digits():
    with mp.workdps(20):
        yield


def tail(t, dof):
    """Two-sided tail of Student's t: the regularised incomplete beta function (Abramowitz and Stegun 26.7.1)."""
    dof = mpf(dof)
    return betainc(dof / 2, mpf(1) / 2, 0, dof / (dof + mpf(t) ** 2), regularized=True)


def over_chi(inner, dof, *, upto=inf, **how):
    """Mean of a function of s, where s**2 is chi-squared over its degrees of freedom."""
    half = mpf(dof) / 2
    scale = 2 * half**half / gamma(half)
    ends = [end for end in (0, 0.5, 1, 1.5, 2.5) if end < upto]
    return quad(lambda s: scale * s ** (mpf(dof) - 1) * mp.exp(-half * s * s) * inner(s), [*ends, upto], **how)


@pytest.mark.parametrize("dof", [1, 2, 3.5, 8, 17.25, 120])
@pytest.mark.parametrize("t", [0.3, 2.0, 4.303, 12.7])
def test_student_tail_also_for_degrees_of_freedom_that_are_not_whole(t, dof):
    assert t_tail(t, dof) == pytest.approx(float(tail(t, dof)), rel=1e-11)


@pytest.mark.parametrize("dof", [1, 4, 6.7, 40])
@pytest.mark.parametrize("probability", [0.9, 0.975, 0.9995])
def test_student_point_has_the_tail_it_was_asked_for(probability, dof):
    assert float(tail(t_point(probability, dof), dof)) == pytest.approx(2.0 * (1.0 - probability), rel=1e-9)


@pytest.mark.parametrize(("noncentrality", "dof"), [(0.0, 4), (2.4, 4), (3.1, 7.5), (14.0, 18), (9.0, 2), (5.0, 1.5)])
def test_power_of_a_t_test_is_the_integral_of_its_definition(noncentrality, dof):
    """With 18 degrees of freedom and a noncentrality of 14 some implementations of this distribution return NaN."""
    c = t_point(0.975, dof)
    exact = over_chi(lambda s: ncdf(noncentrality - c * s) + ncdf(-noncentrality - c * s), dof)

    assert noncentral_t_power(noncentrality, c, dof) == pytest.approx(float(exact), abs=1e-10)


@pytest.mark.parametrize(("difference", "standard_error", "dof"), [(0.0, 0.3, 4), (0.3, 0.25, 10), (1.0, 0.35, 6)])
def test_power_of_two_one_sided_tests_is_the_integral_of_its_definition(difference, standard_error, dof):
    t = t_point(0.95, dof)
    largest = 1 / (mpf(t) * mpf(standard_error))

    def both_reject(s):
        room = 1 - t * standard_error * s
        return ncdf((room - difference) / standard_error) - ncdf((-room - difference) / standard_error)

    exact = over_chi(both_reject, dof, upto=largest)

    assert tost_power(difference, 1.0, standard_error, dof) == pytest.approx(float(exact), abs=1e-9)


@pytest.mark.parametrize(("dof", "confidence"), [(2, 0.8), (4, 0.8), (7.5, 0.95)])
def test_upper_limit_of_a_standard_deviation(dof, confidence):
    limit = sd_upper_limit(0.6, dof, confidence)
    chi2 = mpf(dof) * (mpf("0.6") / mpf(limit)) ** 2

    assert float(gammainc(mpf(dof) / 2, 0, chi2 / 2, regularized=True)) == pytest.approx(1.0 - confidence, rel=1e-10)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("counts", "baseline", "dof"), [((3, 3, 3), 3, 8), ((2, 4, 3), 1, 6), ((4, 2), 4, 3.5)], ids=str
)
def test_dunnett_holds_every_interval_at_once(counts, baseline, dof):
    c = dunnett_critical(0.05, counts, baseline, dof)
    loadings = [sqrt(mpf(n) / (n + baseline)) for n in counts]

    def none_beyond(s):
        def at(z):
            inside = npdf(z)
            for loading in loadings:
                rest = sqrt(1 - loading**2)
                inside *= ncdf((c * s + loading * z) / rest) - ncdf((loading * z - c * s) / rest)
            return inside

        return 2 * quad(at, [0, 2, 7], maxdegree=4, method="gauss-legendre")

    with mp.workdps(10):
        exact = float(over_chi(none_beyond, dof, upto=mpf(5), maxdegree=4, method="gauss-legendre"))

    assert exact == pytest.approx(0.95, abs=1e-7)
    assert dunnett_probability(c, counts, baseline, dof) == pytest.approx(exact, abs=1e-7)
