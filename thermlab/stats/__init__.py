"""Statistics: arrays in, arrays out; nothing of a bench, a mount or a log.

Least squares, variances, Dunnett's distribution, rise curves, power of tests, several values of one thing, looks.
"""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    curves="EXPONENT RiseCurve curve_design fit_curve predict_inverse",
    dunnett="dunnett_critical holm_p_values step_down_p_values t_point t_tail",
    least_squares="Floats LinearFit NotEstimableError crossing fit_linear",
    power="equivalence_mounts_needed equivalence_power mounts_needed noncentral_t_power sd_upper_limit smallest "
    "t_test_power",
    repeats="Combined IndividualsChart combine_campaigns individuals_chart mean_of_campaigns spread_between",
    sequential="FEWEST_TO_POOL LookRule MountTally RunningDecision Variance chance_over_looks look_back look_rule",
    variances="Prior autocorrelation cochran order_can_be_fitted robust_sd welch_error",
)
