"""What the terminal says when a run has been evaluated."""

import math
from collections.abc import Iterator
from pathlib import Path

from harness.core.quantities import format_quantity, signed_text
from harness.core.rounding import for_terminal, probability
from harness.record.journal import RECORD
from harness.results import (
    CONTRADICTION,
    BenchCheck,
    Judged,
    NoLoad,
    PhaseDisplacement,
    RangeResult,
    Results,
    Validation,
    accepted,
    partly,
    worst,
)
from harness.wording.claim_parts import claim_text
from harness.wording.results_file import RESULTS
from harness.wording.sentences import diagnosis_lines, nearest_integer, reason_line, reason_text, verdict_text
from harness.wording.values import stated_text

CERTIFICATE = "certificate.pdf"

REVERSED = 2.0
"""Radians of phase displacement that only half a turn explains."""


def summary_lines(results: Results, out: Path) -> list[str]:
    """What is said when a run has been evaluated: verdict, ranges, diagnosis, paths."""
    lines = [f"verdict: {results.verdict.upper()}{', for part of the claim only' if partly(results) else ''}"]
    if results.bench_check is None and (unverified := results.claim_not_verified):
        lines.append(f"  claimed but not verified in this run: {claim_text(unverified)}")
    wide = max(5, *(len(verdict_text(r)) for r in results.ranges))
    for rng in results.ranges:
        beyond = list(_beyond_lines(rng))
        if rng.points or beyond or not accepted(rng.verdict) or results.bench_check is None:
            lines.append(
                f"  {rng.name:<6} {verdict_text(rng):<{wide}} {_turns_text(rng, results.ranges[0].name)}".rstrip()
            )
        lines += [f"         {line}" for line in beyond]
        lines += [f"         {reason_text(remark)}" for remark in rng.remarks]
    if results.bench_check is not None:
        lines.append(f"  {_check_line(results.bench_check)}")
    lines += [f"  {reason_line(reason)}" for reason in results.reasons]
    if results.contradictions and CONTRADICTION not in results.run.overrides:
        lines.append(
            f"  contradictory readings are no evidence; repeat the run (to certify it anyway: --override {CONTRADICTION})"
        )
    lines += [validation_text(results.validation)] if results.validation is not None else []
    shown = [h for h in results.diagnosis if h.probability >= 0.01][:3]
    if shown and (not accepted(results.verdict) or shown[0].fault != "none"):
        lines.append("most likely cause")
        lines += [f"  {for_terminal(probability(h.probability)):>12}  {h.label}: {h.description}" for h in shown]
        lines += [f"  {line}" for line in diagnosis_lines(results)]
    return [*lines, *(f"{out / name}" for name in (RECORD, RESULTS, CERTIFICATE) if (out / name).exists())]


def validation_text(validation: Validation) -> str:
    """What the Monte Carlo trials say of the evaluation, in a line."""
    agree = sum(q.outcome == "agrees" for q in validation.quantities)
    text = f"validated by {validation.trials:,} trials (JCGM 101): {agree} of {len(validation.quantities)} agree"
    for outcome, told in (("differs", "differ"), ("undecided", "undecided")):
        if names := [q.name for q in validation.quantities if q.outcome == outcome]:
            text += f"; {told}: {'; '.join(names[:3])}{f' and {len(names) - 3} more' if len(names) > 3 else ''}"
    return text


def _turns_text(rng: RangeResult, base: str) -> str:
    turns = f"{rng.expected_turns} turn{'s' if rng.expected_turns > 1 else ''}"
    found, factor = rng.effective_turns, rng.reading_factor
    if found is None:
        if factor is None:
            return ""
        return f"expected {turns}, not determined; reading factor {stated_text(factor)}"
    integer = for_terminal(nearest_integer(found))
    return f"expected {turns}, found {stated_text(found)} against {base}; nearest integer: {integer}"


def _beyond_lines(rng: RangeResult) -> Iterator[str]:
    """One line each on power, phase, smallest current, no load, endurance, waveforms and the parts of the error, where there are any."""
    if rng.power:
        furthest = worst(rng.power)
        yield (
            f"power: {_called(furthest.power_error)} error {stated_text(furthest.power_error, '%')} at {format_quantity(furthest.reference_current, 'A', 3)}, "
            f"power factor {signed_text(round(furthest.power_factor, 2))}; {len(rng.power)} points"
        )
    if rng.phase:
        angle = worst(rng.phase)
        yield f"{_called(angle.displacement)} phase displacement {_minutes(angle)}"
        errors = [f.normalized_error for p in rng.phase for f in p.foretold if f.normalized_error is not None]
        if errors:
            agrees = "agrees" if max(errors) <= 1 else "agrees only roughly" if max(errors) <= 2 else "DISAGREES"
            yield f"power predicted from it {agrees} with the power measured (largest En {max(errors):.2f}, ISO/IEC 17043)"
    if rng.smallest is not None:
        found, lowest = rng.smallest.found, rng.smallest.lowest_reading
        down_to = (
            "none of the currents tried was read"
            if lowest is None
            else f"smallest current tried and read {format_quantity(lowest, 'A', 3)}"
        )
        reads = f"smallest readable current {stated_text(found, 'A')}" if found is not None else down_to
        yield f"{reads}; claimed {format_quantity(rng.smallest.limit, 'A', 3)}"
    if rng.no_load is not None:
        rest = rng.no_load
        limit = "" if rest.current.limit is None else f"; limit {format_quantity(rest.current.limit, 'A', 3)}"
        yield f"indication with no current {stated_text(rest.current, 'A')}{limit}"
        yield from _creep(rest)
    if rng.endurance is not None:
        held = rng.endurance
        yield f"held {format_quantity(held.current, 'A', 3)} for {held.seconds:.0f} s: drift {stated_text(held.drift, '%')}"
    if rng.register is not None:
        counted, step = rng.register.energy / 3600, rng.register.energy_resolution / 3600
        yield (
            f"energy register: error {stated_text(rng.register.error, '%')}, {counted:.3g} Wh in {rng.register.seconds:.0f} s "
            f"in steps of {step:.3g} Wh"
        )
    if rng.waveforms:
        other, loads = worst(rng.waveforms), ", ".join(w.load for w in rng.waveforms)
        yield (
            f"influence of the waveform: {_called(other.influence)} {stated_text(other.influence, '%')} with {other.load} "
            f"({other.waveform}, crest factor {other.crest_factor:.3g}) at {format_quantity(other.reference_current, 'A', 3)}; "
            f"compared with a sine: {loads}"
        )
    if rng.parts:
        clearest = min(rng.parts, key=lambda p: p.transformer_error.expanded_uncertainty)
        yield (
            f"error of transformer and turns {stated_text(clearest.transformer_error, '%')}, "
            f"of the metering module {stated_text(clearest.module_error, '%')} (at {clearest.name}, with the smallest U)"
        )


def _called(judged: Judged) -> str:
    return "largest" if judged.verdict is None else "worst"


def _creep(rest: NoLoad) -> Iterator[str]:
    if rest.creep is not None and rest.creep_below is not None and rest.energy is not None:
        counted = f"{rest.energy / 3600:.3g} Wh registered in {rest.seconds:.0f} s, and less than one step more"
        yield f"creep {stated_text(rest.creep, 'W')}, upper bound {format_quantity(rest.creep_below, 'W', 3)} ({counted})"


def _check_line(check: BenchCheck) -> str:
    """The bench's own check in a line."""
    return (
        f"bench check with {check.instrument} at {format_quantity(check.current, 'A')}: ratio {stated_text(check.found)}, "
        f"established {stated_text(check.established)}, En = {check.normalized_error:.2f}: {check.verdict} (criterion {check.criterion})"
    )


def _minutes(found: PhaseDisplacement) -> str:
    if abs(found.displacement.value) > REVERSED:
        return f"{math.degrees(found.displacement.value):+.1f} degrees: connected the wrong way round; power reads negative"
    return stated_text(found.displacement, "'") + f" at {format_quantity(found.nominal_current, 'A', 3)}"
