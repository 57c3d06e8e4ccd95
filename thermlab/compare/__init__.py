"""Comparison: reduced runs in, the answer out; the mount is the experimental unit.

Differences with intervals and verdicts, throttle power, price, uncertainty budget; ``analysis`` runs all of them.
"""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    analysis="Analysis Bench analyse analyse_runs compare_campaign conclude",
    comparison="compare_treatments",
    mounts="fit_common_steps tabulate_mounts",
    cautions="POWER",
    records="Advice Caution Comparison FARTHEST_EXTRAPOLATION Interval MountSummary ThrottlePower "
    "TreatmentComparison TreatmentThrottle Verdict",
    throttle="OTHER_EXPONENTS Rooms curves_of_mounts hottest_apart mean_curve move_along predict_throttle too_far",
    uncertainty="BudgetLine Combined Quantity combine_each effective_dof",
    value="TreatmentValue Value assess_value",
    verdict="MountCount count_mounts decide",
)
