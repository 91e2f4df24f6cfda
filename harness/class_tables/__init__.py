"""Published accuracy classes: the limits and currents of their tables."""
