"""The bench as wired: links, drivers, identification, and typed values."""
