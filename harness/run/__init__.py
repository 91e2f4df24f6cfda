"""Performing the steps of a procedure on a station."""
