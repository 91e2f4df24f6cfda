"""Describing bench and device, running procedures, keeping the record and evaluating it."""
