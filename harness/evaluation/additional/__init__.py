"""What the further procedures find: no load, endurance, the check standard."""
