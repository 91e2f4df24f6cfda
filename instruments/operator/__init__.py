"""A person as an instrument, and questions at the terminal."""
