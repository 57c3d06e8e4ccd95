"""Watching: the growing log of a run under way in, where it is heading and what is wrong with it out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(__name__, engine="BETWEEN_LOOKS_S Watch follow watch", records="Look")
