"""Evaluation of a record to results: pure functions, no instrument, no clock."""
