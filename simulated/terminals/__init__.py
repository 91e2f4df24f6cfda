"""Terminals of the instruments of a simulated bench, with the commands of their profiles."""
