"""Panels: a campaign, a run under way or a question in, one screen of a notebook with its controls out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(__name__, following="FollowPanel", question="PlanPanel", tryout="TryoutPanel")
