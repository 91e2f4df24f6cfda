"""A bench simulated by its physics, served on real transports, with faults that can be switched on by name."""
