"""Planning: a question and what is known of the bench in, mounts, power steps, soak and their order out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    make="plan",
    pages="outlook_sentences plan_sentences trade",
    records="Plan PlanRequest",
)
