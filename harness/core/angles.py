"""Angles as people state them: inside they are in rad."""

import math

MINUTES_PER_RADIAN = 180 * 60 / math.pi
"""Minutes of arc in a radian."""
