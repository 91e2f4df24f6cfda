"""Preparation of a run from the user's files, with its rehearsal on a simulated bench."""
