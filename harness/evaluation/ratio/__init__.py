"""Ratio errors, the straight line, linearity, turns, and the currents they hold at."""
