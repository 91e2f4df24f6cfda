"""A bench made of physics, served on real transports, with faults that can be switched on by name."""
