"""A person as an instrument, and asking at the terminal."""
