"""Comparison: reduced runs in, the answer out; the mount is the experimental unit.

Differences with intervals and verdicts, throttle power, price, uncertainty budget; ``analysis`` runs all of them.
"""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    analysis="Analysis analyse conclude",
    comparison="compare_treatments",
    mount_curves="OTHER_EXPONENTS curves_of_mounts",
    mounts="fit_common_steps tabulate_mounts",
    records="Comparison TreatmentComparison",
    throttle="predict_throttle",
    throttle_records="FARTHEST_EXTRAPOLATION ThrottlePower TreatmentThrottle",
    uncertainty="combine_each effective_dof",
    value="TreatmentValue assess_value",
)
