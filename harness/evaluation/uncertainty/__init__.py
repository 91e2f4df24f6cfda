"""Input quantities, their combination, repeatability and coverage."""
