"""Energy that the register of a verified meter counted over a time, corrected for its known error, with its expanded uncertainty, and the mean power by it."""

from harness.core.errors import UserError
from harness.core.interpolation import EDGE
from harness.evaluation.uncertainty.gum_formulas import Contribution, rectangular
from harness.results import RangeResult, accepted
from harness.verified_meter.corrected_power import KnownPowerError
from harness.verified_meter.measured_quantity import DisplayedValue, MeasuredQuantity, Part, drifted

ALIKE = 0.02
"""A power factor this near to that of the comparison is taken for it (a judgement)."""

AS_POWER = (
    "energy is taken to have the error of the power shown: the register itself was not compared (procedure energy_register), and a load that is "
    "not steady has another error at every current"
)


def corrected_energy(
    rng: RangeResult, shown: DisplayedValue, by: tuple[float, tuple[Part, ...]], drift: float
) -> MeasuredQuantity:
    """The energy that a rise of the register of `shown`, in joules, stands for; `by`: the error of energy and why it is uncertain.

    The register shows whole steps: at both ends of the time up to one is missing. `drift` bounds what the error may have changed by.
    """
    error, parts = by
    end = Contribution(rectangular(shown.step / 2) / shown.displayed, "rectangular")
    ends = tuple(Part(f"step of the register at the {name}", end) for name in ("begin", "end"))
    return MeasuredQuantity(shown.displayed * rng.display_factor / (1 + error), (*parts, *ends, drifted(drift)))


def error_by_power(known: KnownPowerError, power_factor: float) -> tuple[float, tuple[Part, ...]]:
    """The error of energy where power was verified, at no less than this power factor. Raises UserError where nothing can be stated."""
    return known.error, known.parts(power_factor, 0.0)[:-1]


def error_by_register(
    rng: RangeResult, current: float, power_factor: float | None
) -> tuple[float, tuple[Part, ...], str]:
    """The error of energy where the register was compared, and what is to be said of it. `power_factor`: as shown, None where it was not.

    Raises UserError where it was not compared at this current and power factor.
    """
    found, held = rng.register, [p for p in rng.points if p.direction == "hold"]
    if found is None or not accepted(found.verdict) or not held:
        raise UserError(
            f"energy: neither power nor the register of range {rng.name} was verified as conforming at {current:.4g} A: run the procedure "
            "power_and_phase or energy_register and give its results"
        )
    at = abs(held[-1].nominal_current)
    if abs(current / at - 1) > EDGE:
        raise UserError(
            f"energy: the register of range {rng.name} was compared at {at:.4g} A, and {current:.4g} A flow: run the procedure power_and_phase"
        )
    names = {p.name for p in held}
    factor = next((abs(p.power_factor) for p in rng.power if p.name in names), 1.0)
    if power_factor is not None and abs(power_factor - factor) > ALIKE:
        raise UserError(
            f"energy: the register of range {rng.name} was compared at a power factor of {factor:.2g}, and {power_factor:.2g} is shown: run the "
            "procedure power_and_phase"
        )
    part = Part("comparison of the register", Contribution(found.error.standard_uncertainty, "normal"))
    note = f"energy holds of a steady load of power factor {factor:.2g}, as in the comparison of the register"
    return found.error.value, (part,), note


def mean_power(energy: MeasuredQuantity, seconds: DisplayedValue) -> MeasuredQuantity:
    """Energy over time, in watts. Both ends of the time are read as its last digit is written."""
    end = Contribution(rectangular(seconds.step / 2) / seconds.displayed, "rectangular")
    times = tuple(Part(f"time of the {name}", end) for name in ("begin", "end"))
    return MeasuredQuantity(energy.value / seconds.displayed, (*energy.parts, *times))
