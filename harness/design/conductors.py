"""Flexible copper conductors: resistance, heat, and what a cord of that size usually carries."""

SQUARE_MILLIMETRE = 1e-6

# IEC 60228, class 5, plain copper: largest ohm per kilometre at 20 degC, read on pages of cable engineering.
_OHM_PER_KILOMETRE = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
}

# Flexible cords in free air: common practice (in the manner of BS 7671 table 4F3A), values from memory.
_CORD_RATING = {0.5: 3.0, 0.75: 6.0, 1.0: 10.0, 1.25: 13.0, 1.5: 16.0, 2.5: 25.0, 4.0: 32.0}

_PER_KELVIN = 0.004
"""Rise of resistance with temperature as IEC 60228 rounds it: R(t) = R(20) (1 + 0.004 (t - 20))."""

HOTTEST = 70.0
"""Highest service temperature of a PVC-insulated conductor in degC; used for resistances of a warm winding."""


def resistance_per_metre(cross_section: float, temperature: float = 20.0) -> float:
    """Largest ohm per metre of a class 5 conductor of `cross_section` m^2 at `temperature` degC (IEC 60228).

    A size that is not in the table takes the metal cross-section in proportion from the next smaller one (from the
    smallest for those below it), which errs to the high side for sizes above it.
    """
    size = cross_section / SQUARE_MILLIMETRE
    below = max((s for s in _OHM_PER_KILOMETRE if s <= size * (1 + 1e-9)), default=min(_OHM_PER_KILOMETRE))
    at_twenty = _OHM_PER_KILOMETRE[below] * below / size / 1000
    return at_twenty * (1 + _PER_KELVIN * (temperature - 20.0))


def heat_per_metre(cross_section: float, current: float, temperature: float = HOTTEST) -> float:
    """Watts per metre of conductor, I^2 R, at `current` amperes and `temperature` degC of the copper."""
    return current**2 * resistance_per_metre(cross_section, temperature)


def cord_rating(cross_section: float) -> float | None:
    """Usual current rating in amperes of a single flexible cord of `cross_section` m^2; None above 4 mm2.

    A size between two of the table counts as the smaller; one below the smallest carries less in proportion to its size. Turns lying in a
    bundle carry less.
    """
    size = cross_section / SQUARE_MILLIMETRE * (1 + 1e-9)
    if size > max(_CORD_RATING) * (1 + 1e-6):
        return None
    smallest = min(_CORD_RATING)
    if size < smallest:
        return _CORD_RATING[smallest] * size / smallest
    return max(rating for s, rating in _CORD_RATING.items() if s <= size)


def cord_for(current: float) -> float | None:
    """Smallest cross-section in m^2 whose cord usually carries `current` amperes; None above the table."""
    sizes = (s * SQUARE_MILLIMETRE for s, rating in _CORD_RATING.items() if rating >= current * (1 - 1e-9))
    return min(sizes, default=None)
