"""Benches to test on: a meter with three ranges, a source, a multimeter and a relay, with or without faults."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from harness.core.clock import Clock, RealClock
from instruments.profile import load_profile
from simulated.description import (
    BenchDescription,
    InstrumentDescription,
    MeterDescription,
    RangeDescription,
    ScaleDescription,
)
from simulated.inprocess import InProcessRegisters, TextLink, open_link
from simulated.physics.virtual_clock import VirtualClock
from simulated.serve import serve
from simulated.simulated_bench import SimulatedBench

METER = MeterDescription(
    serial="40117",
    secondary_turns=2500,
    rated_secondary_current=0.032,
    maximum_secondary_current=0.040,
    secondary_fuse=0.05,
    burden=10.0,
    winding_resistance=60.0,
    frequency=50.0,
    resolution=0.001,
    smallest_readable_current=0.020,
    refresh_interval=0.1,
    ranges=(
        RangeDescription("x1", 1, "independent", 1.0, 0.8, 80.0),
        RangeDescription("x4", 4, "series", 0.25, 0.2, 20.0),
        RangeDescription("x20", 20, "independent", 0.05, 0.04, 4.0),
    ),
)
SCALES = (
    ScaleDescription(0.1, 4e-4, 1e-4, 1e-7),
    ScaleDescription(1.0, 4e-4, 1e-4, 1e-6),
    ScaleDescription(10.0, 4e-4, 1e-4, 1e-5),
    ScaleDescription(100.0, 6e-4, 1e-4, 1e-4),
)
SETTLED = 2.0
"""Seconds after which load and display have settled."""


def description(
    *faults: str,
    meter: MeterDescription = METER,
    addresses: dict[str, str] | None = None,
    seed: int = 7,
    reference_factor: float = 1.0,
) -> BenchDescription:
    """A bench with every instrument; `addresses` by the instruments' names."""
    at = dict.fromkeys(("source", "multimeter", "relay"), "TCPIP::127.0.0.1::0::SOCKET")
    at |= {"meter": "modbus-tcp://127.0.0.1:0"} | (addresses or {})
    instruments = (
        InstrumentDescription(
            "source", "load", load_profile("scpi_load"), at["source"], "S-100", maximum_current=100.0
        ),
        InstrumentDescription(
            "multimeter",
            "reference",
            load_profile("scpi_multimeter"),
            at["multimeter"],
            "M-200",
            scales=SCALES,
        ),
        InstrumentDescription("meter", "meter", load_profile("modbus_meter"), at["meter"], meter.serial),
        InstrumentDescription(
            "relay",
            "switch",
            load_profile("scpi_relay"),
            at["relay"],
            "R-300",
            positions={r.name: str(101 + i) for i, r in enumerate(meter.ranges)},
        ),
    )
    return BenchDescription(meter, instruments, reference_factor, seed, faults)


@dataclass(frozen=True)
class Desk:
    """A bench as its terminals show it; nothing here looks inside."""

    bench: SimulatedBench
    clock: Clock
    source: TextLink
    multimeter: TextLink
    relay: TextLink
    meter: InProcessRegisters

    def select(self, range_name: str) -> None:
        """Close the relay's channel for the range."""
        channel = self.bench.instrument("relay").positions[range_name]
        self.relay.write("ROUT:OPEN:ALL")
        self.relay.write(f"ROUT:CLOS (@{channel})")
        self.clock.sleep(SETTLED)

    def apply(self, current: float) -> None:
        """Have the source deliver `current` amperes and wait."""
        self.source.write(f"SOUR:CURR {current}")
        self.source.write("OUTP ON")
        self.multimeter.write(f"CONF:CURR:AC {current}")
        self.clock.sleep(SETTLED)

    def reading(self) -> float:
        """A reading of the multimeter in amperes."""
        return float(self.multimeter.query("READ?"))

    def displayed(self) -> float:
        """The current the meter's registers hold, in amperes of its display."""
        import struct

        words = self.meter.read_registers("input", 0, 2)
        return float(struct.unpack(">f", struct.pack(">HH", *words))[0])

    def multiplier(self, range_name: str, current: float) -> float:
        """Displayed amperes per ampere of the reference at one point."""
        self.source.write("OUTP OFF")
        self.select(range_name)
        self.apply(current)
        return self.displayed() / self.reading()


def desk(*faults: str, late_reply_delay: float = 4.0, **changes: object) -> Desk:
    """A bench in virtual time with a link to every instrument."""
    clock = VirtualClock()
    bench = SimulatedBench(description(*faults, **changes), clock, late_reply_delay)  # type: ignore[arg-type]
    source, multimeter, relay, meter = (open_link(bench, n) for n in ("source", "multimeter", "relay", "meter"))
    assert isinstance(source, TextLink)
    assert isinstance(multimeter, TextLink)
    assert isinstance(relay, TextLink)
    assert isinstance(meter, InProcessRegisters)
    return Desk(bench, clock, source, multimeter, relay, meter)


@pytest.fixture
def make_desk() -> Callable[..., Desk]:
    """Makes a bench in virtual time, with the faults named."""
    return desk


@pytest.fixture
def make_description() -> Callable[..., BenchDescription]:
    """Makes a description, with the faults named."""
    return description


@pytest.fixture
def meter() -> MeterDescription:
    """The meter of the test bench: 2500 secondary turns, ranges of 1, 4 and 20 turns."""
    return METER


@pytest.fixture
def plain_meter() -> MeterDescription:
    """A 1:1000 meter with a base turn and a nine-turn section in series behind it."""
    return replace(
        METER,
        secondary_turns=1000,
        rated_secondary_current=0.1,
        maximum_secondary_current=0.1,
        secondary_fuse=None,
        resolution=1e-6,
        smallest_readable_current=1e-6,
        ranges=(
            RangeDescription("one", 1, "independent", 1.0, 0.02, 100.0),
            RangeDescription("ten", 10, "series", 0.1, 0.002, 10.0),
        ),
    )


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[SimulatedBench, dict[str, str]]]:
    """The bench on real transports: SCPI on sockets, the meter on a pseudo-terminal."""
    addresses = {"meter": f"modbus-rtu:{tmp_path / 'meter-port'}"}
    bench = SimulatedBench(description(addresses=addresses), RealClock())
    with serve(bench) as at:
        yield bench, at
