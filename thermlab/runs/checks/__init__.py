"""Checks of runs: what one run says about itself, and what the runs of a bench say about each other."""
