"""Panels: a campaign or a run under way in, one screen of a notebook with its controls out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(
    __name__,
    following="FollowPanel",
    tryout="TryoutPanel",
)
