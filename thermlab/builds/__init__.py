"""Builds: one finished machine, with its campaign or without, in, a record out: pass, refer or fail."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    make="assess_build record record_results",
)
