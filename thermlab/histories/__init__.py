"""Histories: an archive in, what it says over the years about benches, treatments, lots and builds out."""

from thermlab.base.faces import face

__all__, __getattr__, __dir__ = face(__name__, findings="history", page="write_history", records="History")
