"""Budgets, combined uncertainty, coverage factor and repeatability."""
