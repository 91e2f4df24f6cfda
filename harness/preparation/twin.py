"""A simulated bench from the user's files: for a rehearsal, a demo, or a second program."""

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Generic, TypeVar, get_args

from harness.core.errors import UserError
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.instrument_entry import InstrumentEntry
from harness.files.reference_part import ReferencePart
from harness.files.shelf_entry import ShelfEntry
from harness.station.wires import resolved_address
from instruments.errors import LinkError, ReplyError
from instruments.links.link import Link, RegisterLink
from instruments.profile import Profile, load_profile
from instruments.waveform_names import SINE, SINE_CREST_FACTOR, Waveform
from simulated.bench_faults import parse_fault
from simulated.description import (
    BenchDescription,
    BenchPart,
    CheckStandardDescription,
    InstrumentDescription,
    KnownAt,
    MeterDescription,
    PowerDescription,
    RangeDescription,
    ReferencePathDescription,
    ScaleDescription,
    ShelfDescription,
    VoltageDescription,
)
from simulated.inprocess import InProcessRegisters, open_link
from simulated.inprocess import TextLink as TwinTextLink
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from simulated.transports.modbus import IllegalAddress

_L = TypeVar("_L", TwinTextLink, InProcessRegisters)
_T = TypeVar("_T")

TYPICAL_WINDING_RESISTANCE = 60.0
"""Ohms, used where the device file gives none: typical for a small 2500-turn core, value from memory."""


def describe(
    device: Device, bench: Bench, bench_file: Path, folders: Sequence[Path], faults: Sequence[str]
) -> BenchDescription:
    """Description of the simulated bench. Raises UserError for an unknown fault."""
    transformer, display = device.transformer, device.display
    meter = MeterDescription(
        serial=device.identity.serial,
        secondary_turns=transformer.secondary_turns,
        rated_secondary_current=transformer.rated_secondary_current,
        maximum_secondary_current=transformer.maximum_secondary_current,
        secondary_fuse=device.path.secondary_fuse,
        burden=transformer.burden,
        winding_resistance=TYPICAL_WINDING_RESISTANCE
        if transformer.winding_resistance is None
        else transformer.winding_resistance,
        frequency=transformer.frequency,
        resolution=display.resolution,
        smallest_readable_current=display.smallest_readable_current,
        refresh_interval=display.refresh_interval,
        ranges=tuple(
            RangeDescription(r.name, r.primary_turns, r.wiring, r.display_factor, r.minimum_current, r.maximum_current)
            for r in device.ranges
        ),
        power_resolution=display.power_resolution,
        power_factor_resolution=display.power_factor_resolution,
        default_power_factor=display.default_power_factor,
        energy_resolution=display.energy_resolution,
        largest_secondary_peak=transformer.largest_secondary_peak,
        bandwidth=display.bandwidth,
        response=display.response or "true rms",
    )
    try:
        for fault in faults:
            parse_fault(fault, meter)
    except ValueError as problem:
        raise UserError(str(problem)) from None
    path, check = bench.reference_path, bench.check_standard
    return BenchDescription(
        meter,
        tuple(_instrument(bench, role, name, bench_file, folders) for name, role in _parts(bench).items()),
        path.factor,
        bench.simulation.seed,
        tuple(faults),
        reference_path=ReferencePathDescription(
            _known(path.part, transformer.frequency, phase=False),
            _known(path.part, transformer.frequency, phase=True),
            path.loops,
            path.in_volts,
        ),
        check_standard=None
        if check is None
        else CheckStandardDescription(
            check.ratio,
            check.uncertainty,
            check.standard_deviation,
            check.current if check.established_here else None,
        ),
    )


def _known(part: ReferencePart | None, frequency: float, *, phase: bool) -> tuple[KnownAt, ...]:
    """Known errors of the part in the path: by its certificate, and beyond that by its claim."""
    if part is None:
        return ()
    certified, claimed = part.nodes(frequency, phase=phase), part.claimed(frequency, phase=phase)
    known = [KnownAt(n.at, n.error, uncertainty=2 * n.standard_uncertainty) for n in certified]
    known += [
        KnownAt(n.at, n.error, bound=math.sqrt(3) * n.standard_uncertainty)
        for n in claimed
        if not certified or not certified[0].at <= n.at <= certified[-1].at
    ]
    return tuple(sorted(known, key=lambda k: k.current))


def _parts(bench: Bench) -> dict[str, BenchPart]:
    """The function of every instrument by name; for one that also reads the voltage, its first."""
    parts: dict[str, BenchPart] = {}
    for role in get_args(BenchPart):
        if (name := getattr(bench.roles, role)) is not None:
            parts.setdefault(name, role)
    return parts


def _instrument(
    bench: Bench, role: BenchPart, name: str, bench_file: Path, folders: Sequence[Path]
) -> InstrumentDescription:
    entry = bench.instruments[name]
    voltage, power = entry.voltage, entry.power
    return InstrumentDescription(
        name=name,
        role=role,
        profile=None if entry.by_person else _as_the_bench_says(entry, load_profile(entry.profile, tuple(folders))),
        address=resolved_address(entry.address, bench_file.resolve().parent),
        serial=entry.serial,
        unit_id=entry.unit_id,
        baud_rate=entry.baud_rate,
        scales=tuple(
            ScaleDescription(
                full_scale=s.full_scale,
                of_reading=s.of_reading,
                of_range=s.of_range,
                resolution=s.resolution,
                response=s.response or "true rms",
                bandwidth=s.bandwidth,
                crest_factor=s.crest_factor,
            )
            for s in entry.ranges
        ),
        positions=dict(entry.positions),
        maximum_current=entry.maximum_current,
        voltage=None if voltage is None else VoltageDescription(voltage.of_reading, voltage.resolution),
        power=None if power is None else PowerDescription(power.of_reading, power.phase, power.resolution),
        power_factor_uncertainty=entry.power_factor_uncertainty or 0.0,
        burden=entry.burden or 0.0,
        shelf=tuple(
            ShelfDescription(load.current, load.power_factor, load.power_factor_uncertainty, _drawn_by(load))
            for load in entry.shelf
        ),
    )


def _drawn_by(load: ShelfEntry) -> Waveform:
    """The waveform a load draws: the one stated, pulses of the crest factor stated, or a sine where nothing is known."""
    if (shape := load.shape) is not None:
        return shape
    if not isinstance(load.crest_factor, float) or load.crest_factor <= SINE_CREST_FACTOR:
        return SINE
    # Half-sine pulses of angle a in each half-period have a crest factor of sqrt(2 pi / a).
    return Waveform("rectifier", max(10.0, float(round(360.0 / load.crest_factor**2))))


def _as_the_bench_says(entry: InstrumentEntry, profile: Profile) -> Profile:
    """`profile` with the terminations of the bench file, where it has any: both ends of a link must agree."""
    ends = {"read_termination": entry.read_termination, "write_termination": entry.write_termination}
    return profile.model_copy(update={key: end for key, end in ends.items() if end is not None})


def displays(simulated: SimulatedBench) -> dict[str, Callable[[], float]]:
    """Displays that a simulated person reads off `simulated`, by the part each plays and the quantity."""
    return {
        "meter": lambda: simulated.shown().current,
        "meter power": lambda: simulated.shown().power,
        "meter power_factor": lambda: simulated.shown().power_factor,
        "reference": simulated.read_reference,
        "reference power": lambda: simulated.measure("reference").power,
        "reference voltage": lambda: simulated.measure("reference").voltage,
        "voltage": lambda: simulated.measure("voltage").voltage,
        "secondary": lambda: simulated.measure("secondary").current,
        "check_standard": lambda: simulated.measure("check_standard").current,
    }


class TwinLinks:
    """Links to a simulated bench in virtual time."""

    def __init__(self, simulated: SimulatedBench) -> None:
        self._simulated = simulated

    def text(self, name: str, entry: InstrumentEntry, profile: Profile) -> Link:
        link = _opened(self._simulated, name, entry)
        if not isinstance(link, TwinTextLink):
            raise UserError(f"instruments.{name}: found a profile for registers, expected one for text")
        assert isinstance(self._simulated.clock, VirtualClock)
        return _Text(link, name, entry.address, self._simulated.clock)

    def registers(self, name: str, entry: InstrumentEntry, drain: bool) -> RegisterLink:
        link = _opened(self._simulated, name, entry)
        if not isinstance(link, InProcessRegisters):
            raise UserError(f"instruments.{name}: found a profile for text, expected one for registers")
        return _Registers(link, name, entry.address)

    def turn_switch(self, range_name: str) -> None:
        self._simulated.turn_switch(range_name)

    def plug(self, current: float) -> None:
        self._simulated.plug(current)

    def turn_reference(self, full_scale: float) -> None:
        self._simulated.configure("reference", full_scale)


def _opened(simulated: SimulatedBench, name: str, entry: InstrumentEntry) -> TwinTextLink | InProcessRegisters:
    try:
        return open_link(simulated, name, entry.timeout)
    except OSError as failure:
        raise LinkError(str(failure), instrument=name, address=entry.address, command="open") from failure


class _Failing(Generic[_L]):
    """A simulated link that fails as a real one does: with a LinkError, and closed from then on."""

    def __init__(self, link: _L, name: str, address: str) -> None:
        self._link: _L | None = link
        self._name, self._address = name, address

    def close(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None

    def _done(self, command: str, exchange: Callable[[_L], _T]) -> _T:
        """The result of an exchange. Raises LinkError."""
        if self._link is None:
            raise LinkError("link is closed", instrument=self._name, address=self._address, command=command)
        try:
            return exchange(self._link)
        except (OSError, IllegalAddress) as failure:
            self.close()
            raise LinkError(str(failure), instrument=self._name, address=self._address, command=command) from failure


class _Text(_Failing[TwinTextLink]):
    def __init__(self, link: TwinTextLink, name: str, address: str, clock: VirtualClock) -> None:
        super().__init__(link, name, address)
        self._clock = clock
        self._asked: tuple[str, float] | None = None

    def write(self, text: str) -> None:
        """Send a command. A question is answered when its reply is read, and in the time since it was asked."""
        if "?" in text:
            self._asked = text, self._clock.now()
        else:
            self._done(text, lambda link: link.write(text))

    def read(self) -> str:
        if self._asked is None:
            return self._reply("read", TwinTextLink.read)
        (text, asked_at), self._asked = self._asked, None
        with self._clock.since(asked_at):
            return self.query(text)

    def query(self, text: str) -> str:
        def exchange(link: TwinTextLink) -> str:
            if link.waiting():
                raise ConnectionError("an unexpected reply is waiting")
            return link.query(text)

        return self._reply(text, exchange)

    def _reply(self, command: str, exchange: Callable[[TwinTextLink], str]) -> str:
        reply = self._done(command, exchange)
        if not (reply.isascii() and reply.isprintable()):
            self.close()
            raise ReplyError(
                f"garbled reply {reply[:60]!r}", instrument=self._name, address=self._address, command=command
            )
        return reply


class _Registers(_Failing[InProcessRegisters]):
    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        command = f"read {function} registers {address}..{address + count - 1}"
        return self._done(command, lambda link: link.read_registers(function, address, count))
