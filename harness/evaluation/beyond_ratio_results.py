"""Results of a range beyond ratio and linearity: power, phase, parts of the error, smallest current, rest."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from harness.evaluation.beyond_ratio.endurance_results import evaluated_endurance
from harness.evaluation.beyond_ratio.energy_register_results import evaluated_register
from harness.evaluation.beyond_ratio.no_load_results import evaluated_no_load, watched_too_short
from harness.evaluation.beyond_ratio.power_results import phase_displacement, power_point
from harness.evaluation.beyond_ratio.waveform_results import JudgedWaveforms, judged_waveforms
from harness.evaluation.conformity.fail_reasons import failed_phase, failed_power, misread
from harness.evaluation.power.phase_displacement import phases_found
from harness.evaluation.power.power_errors import unknown_angle
from harness.evaluation.range_readings import RangeReadings
from harness.evaluation.ratio.error_split import Split, split
from harness.evaluation.ratio.smallest_readable_current import (
    remarks_on_smallest,
    smallest_found,
    smallest_readable_current,
)
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.evaluation.validation.checks import Check, power_checks, waveform_checks
from harness.files.device import Device
from harness.results import (
    Endurance,
    EnergyRegister,
    ErrorParts,
    NoLoad,
    PhaseDisplacement,
    PowerPoint,
    Reason,
    SmallestCurrent,
    Verdict,
)


@dataclass(frozen=True)
class BeyondRatio:
    """Results of a range beyond ratio, and why they are not a plain pass; `misread`: what fails it without regard to a claim.

    `readable_from` in amperes, uncertain, where a search found it; `checks` are validated by trials;
    `splits` where the error of each point is, as far as the secondary was read.
    """

    power: tuple[PowerPoint, ...]
    phase: tuple[PhaseDisplacement, ...]
    parts: tuple[ErrorParts, ...]
    smallest: SmallestCurrent | None
    no_load: NoLoad | None
    endurance: Endurance | None
    register: EnergyRegister | None
    waveforms: JudgedWaveforms
    misread: tuple[Reason, ...]
    reasons: tuple[Reason, ...]
    remarks: tuple[Reason, ...]
    readable_from: Any | None
    checks: Mapping[str, Check]
    splits: tuple[Split, ...]

    @property
    def verdicts(self) -> list[Verdict | None]:
        """Of what was found once for the range."""
        found = (self.smallest, self.no_load, self.endurance, self.register)
        return [one.verdict for one in found if one is not None]


def beyond_ratio_results(device: Device, inputs: InputQuantities, readings: RangeReadings) -> BeyondRatio:
    """Evaluate the `readings` of a range beyond ratio errors."""
    rng, values = readings.rng, readings.values
    power = tuple(power_point(device, inputs, p) for p in readings.powers)
    angles = phases_found(readings.powers)
    phase = tuple(phase_displacement(device, inputs, found) for found in angles)
    splits = tuple(s for p in readings.points if (s := split(device, inputs, p)) is not None)
    wrong = misread(rng, power, phase) + ([] if power else _not_read(device, inputs, readings))
    searched = smallest_found(device, inputs, [v for v in values if v.observed.direction == "search"], rng)
    smallest, too_large = (None, []) if searched is None else smallest_readable_current(inputs, searched, rng)
    rest, shown_at_rest = evaluated_no_load(device, inputs, values, rng) or (None, [])
    held, drifted = evaluated_endurance(device, inputs, values, rng) or (None, [])
    register, miscounted = evaluated_register(device, inputs, values, readings.powers, rng)
    if register is None:
        wrong, miscounted = [*wrong, *miscounted], []
    compared = JudgedWaveforms()
    if readings.waveforms_asked:
        compared = judged_waveforms(device, inputs, rng, readings.points, readings.other_waveforms, readings.known)
    return BeyondRatio(
        power=power,
        phase=phase,
        parts=tuple(_parts(inputs, s) for s in splits),
        smallest=smallest,
        no_load=rest,
        endurance=held,
        register=register,
        waveforms=compared,
        misread=(*wrong, *compared.missing),
        reasons=(
            *wrong,
            *compared.missing,
            *failed_power(rng, power),
            *failed_phase(rng, phase),
            *too_large,
            *shown_at_rest,
            *drifted,
            *miscounted,
            *compared.failures,
        ),
        remarks=(
            *([Reason.of("no-phase", rng.name)] if power and not phase else ()),
            *(() if smallest is None else remarks_on_smallest(device, rng, smallest)),
            *watched_too_short(device, rng.name, rest),
            *compared.remarks,
        ),
        readable_from=None if searched is None else searched.value,
        checks={
            **power_checks(rng, readings.powers, power, angles, phase),
            **waveform_checks(compared.found, compared.values),
        },
        splits=splits,
    )


def _not_read(device: Device, inputs: InputQuantities, readings: RangeReadings) -> list[Reason]:
    """A reason where power was asked for and not read."""
    if not any(p.observed.power_asked and p.observed.direction == "single" for p in readings.points):
        return []
    unknown = next((part for p in readings.points if (part := unknown_angle(device, inputs, p))), None)
    return [Reason.of("power-not-read", readings.rng.name, unknown=unknown)]


def _parts(inputs: InputQuantities, parts: Split) -> ErrorParts:
    return ErrorParts(
        name=parts.point.observed.name,
        secondary_current=nominal(parts.secondary),
        transformer_error=inputs.stated(parts.transformer_error),
        module_error=inputs.stated(parts.module_error),
    )
