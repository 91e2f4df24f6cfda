"""Protocols and real transports, and what a link can do to an answer."""
