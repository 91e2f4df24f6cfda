"""Protocols, real transports, and faults of links."""
