"""First look: a folder of unknown logs in, a proposed campaign to edit out; only here is anything guessed."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(__name__, proposals="start_from_logs")
