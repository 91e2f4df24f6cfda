"""Angles as people state them: inside the program they are in rad."""

import math

MINUTES_PER_RADIAN = 180 * 60 / math.pi
