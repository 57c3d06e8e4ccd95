"""Verifying: a bag or an archive in, every changed byte and every number that moved out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(__name__, check="verify")
