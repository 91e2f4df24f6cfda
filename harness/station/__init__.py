"""The bench as it is wired: links, drivers, who answered, and what a person types."""
