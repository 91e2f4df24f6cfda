"""Cautions, safe states, the guard, and a run from safe to safe."""
