"""Types of quantities in files, with the bounds of what a meter, an instrument or a bench of this kind can have.

A slip of a digit or a prefix is doubted by name.
"""

import math
from dataclasses import dataclass
from typing import Annotated

from pydantic import BeforeValidator

from harness.core.quantities import parse_quantity, shortened


@dataclass(frozen=True)
class Plausible:
    """Reads a quantity from `low` to `high`, both included, in SI units; `span` says so for a person."""

    unit: str
    low: float
    high: float
    span: str

    def __call__(self, value: object) -> float:
        """The SI value of `value`. Raises ValueError."""
        number = parse_quantity(value, self.unit)
        if number < 0 <= self.low or (number == 0 and self.low > 0):
            raise ValueError(f"found {shortened(value)}, expected a value above zero ({self.span})")
        if not self.low <= number <= self.high:
            raise ValueError(f"found {shortened(value)}, expected a plausible value: {self.span}")
        return number


def _quantity(unit: str, low: float, high: float, span: str) -> BeforeValidator:
    return BeforeValidator(Plausible(unit, low, high, span))


# Bounds: common practice, no published source. They are wide, since what they are for is a slip of the pen.
Current = Annotated[float, _quantity("A", 1e-12, 1e5, "1 pA to 100 kA")]
Voltage = Annotated[float, _quantity("V", 1e-9, 1e6, "1 nV to 1 MV")]
Resistance = Annotated[float, _quantity("ohm", 1e-6, 1e4, "1 uohm to 10 kohm")]
TimeOnLimit = Annotated[float, _quantity("s", 1.0, 86400.0, "1 s to 24 h")]
PulseDuration = Annotated[float, _quantity("s", 1e-6, 60.0, "1 us to 60 s")]
Duration = Annotated[float, _quantity("s", 1e-4, 3600.0, "0.1 ms to 1 h")]
Frequency = Annotated[float, _quantity("Hz", 10.0, 1000.0, "10 Hz to 1 kHz")]
Bandwidth = Annotated[float, _quantity("Hz", 50.0, 1e8, "50 Hz to 100 MHz")]
FrequencyOrDirect = Annotated[float, _quantity("Hz", 0.0, 1000.0, "0 Hz (direct current) to 1 kHz")]
Fraction = Annotated[float, _quantity("", 0.0, 100.0, "0 % to 10000 %")]
SignedFraction = Annotated[float, _quantity("", -100.0, 100.0, "-10000 % to 10000 %")]
RelativeError = Annotated[float, _quantity("", 0.0, 0.2, "0 % to 20 % for an error or an uncertainty of this kind")]
SignedRelativeError = Annotated[float, _quantity("", -0.2, 0.2, "-20 % to 20 % for an error of this kind")]
Humidity = Annotated[float, _quantity("", 0.0, 1.0, "0 % to 100 % relative humidity")]
CelsiusTemperature = Annotated[float, _quantity("degC", -40.0, 70.0, "-40 degC to 70 degC where people measure")]
Power = Annotated[float, _quantity("W", 1e-9, 1e8, "1 nW to 100 MW")]
Energy = Annotated[float, _quantity("J", 1e-6, 1e12, "1 uJ to 1 TJ")]
Angle = Annotated[float, _quantity("rad", 0.0, math.pi / 2, "0 deg to 90 deg")]
Length = Annotated[float, _quantity("m", 1e-4, 1e3, "0.1 mm to 1 km")]
CrossSection = Annotated[float, _quantity("m^2", 1e-9, 1e-2, "0.001 mm^2 to 10000 mm^2")]
Inductance = Annotated[float, _quantity("H", 1e-6, 1e6, "1 uH to 1 MH")]
Conductance = Annotated[float, _quantity("S", 0.0, 1e6, "0 S to 1 MS")]
SignedAngle = Annotated[float, _quantity("rad", -math.pi / 2, math.pi / 2, "-90 deg to 90 deg")]
FractionPerKelvin = Annotated[float, _quantity("1/K", 0.0, 0.01, "0 %/K to 1 %/K")]
FractionPerYear = Annotated[float, _quantity("1/year", 0.0, 0.2, "0 %/year to 20 %/year")]
JouleIntegral = Annotated[float, _quantity("A^2 s", 1e-12, 1e9, "1e-12 A^2 s to 1e9 A^2 s")]
KelvinPerWatt = Annotated[float, _quantity("K/W", 0.0, 1e4, "0 K/W to 10000 K/W")]
