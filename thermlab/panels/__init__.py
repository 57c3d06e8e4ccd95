"""Panels: a campaign, a run under way or a question in, controls on one screen of a notebook out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    following="FollowPanel",
    tryout="TryoutPanel",
)
