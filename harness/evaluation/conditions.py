"""The conditions of a run: those measured, and those stated in its files."""

from collections.abc import Sequence

from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.reference_part import SAME_FREQUENCY
from harness.record.journal import Record
from harness.record.observations import ObservedPoint
from harness.results import Condition, LoadWaveform, Reason

FREQUENCY, VOLTAGE = "reference_frequency", "reference_voltage"
"""Names in `ReadingPair.also` of what the reference, or a voltmeter, read of them."""


def conditions(
    device: Device, bench: Bench, stated: Bench, record: Record, points: Sequence[ObservedPoint]
) -> tuple[Condition, ...]:
    """All conditions of the run; `stated` is the bench as its file describes it, `bench` with what a sensor read."""
    sensor = _who(bench, record, bench.roles.environment)
    lines = list(record.of_kind("environment"))
    temperatures = [line["temperature"] for line in lines if line.get("temperature") is not None]
    humidities = [line["relative_humidity"] / 100 for line in lines if line.get("relative_humidity") is not None]
    reference = _who(bench, record, bench.roles.reference)
    voltmeter = _who(bench, record, bench.roles.voltage or bench.roles.reference)
    return (
        _condition("frequency", "Hz", device.transformer.frequency, _read(points, FREQUENCY), reference),
        _condition("voltage", "V", None, _read(points, VOLTAGE), voltmeter),
        _condition("temperature", "degC", stated.environment.temperature, temperatures, sensor),
        _condition("relative humidity", "1", stated.environment.relative_humidity, humidities, sensor),
    )


def load_waveforms(bench: Bench, points: Sequence[ObservedPoint]) -> tuple[LoadWaveform, ...]:
    """What the bench file states of the waveform of every load that a point was taken with."""
    entry, used = bench.entry("load"), {point.nominal_current for point in points if point.nominal_current}
    if entry.shelf:
        return tuple(
            LoadWaveform(
                load.name, load.sinusoidal, waveform=None if load.sinusoidal or not load.shape else load.waveform
            )
            for load in entry.shelf
            if load.current in used
        )
    sinusoidal = None if entry.distortion is None else True
    return (LoadWaveform(bench.roles.load, sinusoidal, entry.distortion),) if used else ()


def at_the_frequency_measured(device: Device, points: Sequence[ObservedPoint]) -> tuple[Device, list[Reason]]:
    """`device` at the frequency measured, and a reason where it is over 1 % off the stated one: certificates and claims hold within that."""
    read, stated = _read(points, FREQUENCY), device.transformer.frequency
    found = _mean(read) if read else stated
    if abs(found / stated - 1) <= SAME_FREQUENCY:
        return device, []
    transformer = device.transformer.model_copy(update={"frequency": found})
    reason = Reason.of("frequency", measured=found, stated=stated)
    return device.model_copy(update={"transformer": transformer}), [reason]


def _condition(name: str, unit: str, stated: float | None, measured: Sequence[float], instrument: str) -> Condition:
    return Condition(
        name=name,
        unit=unit,
        stated=stated,
        measured=_mean(measured) if measured else None,
        lowest=min(measured, default=None),
        highest=max(measured, default=None),
        instrument=instrument if measured else "",
    )


def _who(bench: Bench, record: Record, name: str | None) -> str:
    """An instrument with its serial number, as it answered in the run."""
    if name is None:
        return ""
    answered = [line["serial"] for line in record.of_kind("identity") if line["instrument"] == name]
    serial = (answered[-1] if answered else "") or bench.instruments[name].serial
    return f"{name} {serial}".strip()


def _read(points: Sequence[ObservedPoint], name: str) -> list[float]:
    return [p.also[name] for point in points for p in point.pairs if name in p.also and p.reference > 0]


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
