"""Exploring: a campaign in; its runs ranked by doubt, the answer without some of them, an exclusion written, out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(__name__)
