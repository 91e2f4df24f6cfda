"""The influence of the waveform on a range as results: stated and judged, why it is no plain pass, and the loads that were not compared."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.claims.limits_of_error import limit_at_no_current, limit_of_waveform_influence
from harness.core.quantities import format_quantity
from harness.current_limits.maximum_test_current import too_large
from harness.evaluation.conformity.decision import judged
from harness.evaluation.conformity.fail_reasons import failed_waveforms
from harness.evaluation.ratio.point_errors import PointValues
from harness.evaluation.ratio.reference_shape import not_comparable
from harness.evaluation.ratio.waveform_difference import WaveformDifference, waveform_difference
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, nominal
from harness.files.bench import Bench
from harness.files.device import Device, Range
from harness.files.shelf_entry import ShelfEntry
from harness.record.observations import ObservedRange
from harness.results import Reason, WaveformInfluence
from harness.steps import NEARLY_EQUAL

NOT_COMPARED = "no-waveform-compared"
"""Code of the reason where nothing could be compared."""
NO_SINE_NEAR = f"no sine within {100 * NEARLY_EQUAL - 100:g} % of its current"


@dataclass(frozen=True)
class JudgedWaveforms:
    """The influence of waveforms on a range: `found`, judged, with the values behind it, `missing` why nothing could be compared, `failures` and `remarks`."""

    found: tuple[WaveformInfluence, ...] = ()
    values: tuple[WaveformDifference, ...] = ()
    missing: tuple[Reason, ...] = ()
    failures: tuple[Reason, ...] = ()
    remarks: tuple[Reason, ...] = ()


def judged_waveforms(
    device: Device,
    inputs: InputQuantities,
    rng: Range,
    sines: Sequence[PointValues],
    others: Sequence[PointValues],
    known: ObservedRange | None,
) -> JudgedWaveforms:
    """The points of `others` on `rng` against its `sines`, judged against the claim; one missing where there is none at all."""
    bench, constant = inputs.bench, limit_at_no_current(device, rng)
    of_sines = [s for s in sines if (load := bench.plugged(s.observed.nominal_current)) is not None and load.sinusoidal]
    pairs = [(point, waveform_difference(inputs, point, of_sines, constant)) for point in others]
    values = tuple(found for _, found in pairs if found is not None)
    found = tuple(_judged(device, inputs, rng, one) for one in values)
    alone = [point.observed.name for point, compared in pairs if compared is None]
    left_out = [*_left_out(known), *((name, f"{NO_SINE_NEAR} was read") for name in alone)]
    left_out += _never_asked(device, bench, rng)
    reasons: dict[str, list[str]] = {}
    for name, why in left_out:
        reasons.setdefault(why, []).append(name)
    told = [(tuple(names), why) for why, names in reasons.items()]
    if not found:
        names, why = told[0] if told else ((), "")
        missing = Reason.of(NOT_COMPARED, rng.name, loads=names or None, why=why or None)
        return JudgedWaveforms(missing=(missing,))
    remarks = [Reason.of("waveforms-not-compared", rng.name, loads=names, why=why) for names, why in told]
    if not found[0].claimed:
        remarks.insert(0, _not_claimed(rng, found))
    shown = tuple(f"{one.load} ({one.waveform})" for one in found)
    remarks.insert(0, Reason.of("part-of-waveforms", rng.name, loads=shown))
    return JudgedWaveforms(found, values, (), tuple(failed_waveforms(rng, found)), tuple(remarks))


def _judged(device: Device, inputs: InputQuantities, rng: Range, one: WaveformDifference) -> WaveformInfluence:
    at, sine = one.point.observed, one.sine.observed
    load, of_sine = inputs.bench.plugged(at.nominal_current), inputs.bench.plugged(sine.nominal_current)
    assert load is not None
    assert of_sine is not None
    current = nominal(one.point.reference)
    return WaveformInfluence(
        name=at.name,
        load=load.name,
        waveform=load.waveform or "",
        crest_factor=load.largest_crest_factor,
        nominal_current=at.nominal_current,
        reference_current=current,
        ratio_error=nominal(one.point.ratio_error),
        sine=sine.name,
        sine_load=of_sine.name,
        sine_current=nominal(one.sine.reference),
        sine_error=nominal(one.sine.ratio_error),
        influence=judged(inputs, one.difference, limit_of_waveform_influence(device, rng, current)),
        claimed=device.claim.waveform_influence is not None,
        budget=inputs.budget(one.difference, {"sine": one.sine.ratio_error, "other waveform": one.point.ratio_error}),
    )


def _not_claimed(rng: Range, found: Sequence[WaveformInfluence]) -> Reason:
    """A pass by the claim of ratio error says less than it seems, so the largest is told with it."""
    largest = max(found, key=lambda one: abs(one.influence.value))
    return Reason.of(
        "influence-not-claimed",
        rng.name,
        value=largest.influence.value,
        expanded_uncertainty=largest.influence.expanded_uncertainty,
        waveform=largest.waveform,
        load=largest.load,
        current=largest.reference_current,
    )


def _left_out(known: ObservedRange | None) -> Iterator[tuple[str, str]]:
    """The points that were asked for and not taken, or not to be used, each with why."""
    for line in known.skipped_waveforms if known is not None else ():
        name, _, why = line.partition(": ")
        yield name, why


def _never_asked(device: Device, bench: Bench, rng: Range) -> Iterator[tuple[str, str]]:
    """The loads that `rng` claims, not stated to be a sine, for which no run on this bench asks there, each with why."""
    never = too_large(device, bench)
    within = [load for load in bench.entry("load").shelf if rng.minimum_current <= load.current <= rng.maximum_current]
    sines = [load.current for load in within if load.sinusoidal and load.current not in never]
    for load in (one for one in within if not one.sinusoidal):
        why = never.get(load.current) or not_comparable(bench, load)
        if not why and not any(1 / NEARLY_EQUAL <= load.current / sine <= NEARLY_EQUAL for sine in sines):
            why = f"the shelf has {NO_SINE_NEAR}"
        if why:
            yield _named(load), why


def _named(load: ShelfEntry) -> str:
    return f"{load.name} ({format_quantity(load.current, 'A')})"
