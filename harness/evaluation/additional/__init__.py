"""Results of the further procedures: no load, endurance, the check standard."""
