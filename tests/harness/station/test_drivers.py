"""Which driver plays each part of a bench, how it reaches its instrument, and what a bench file may not ask of one."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from harness.commands.new import template
from harness.core.clock import RealClock
from harness.core.errors import UserError
from harness.files.loading import parse_bench, parse_device
from harness.station.drivers import Drivers
from instruments.drivers.by_hand import PersonMeter, PersonReference, PersonSwitch, PersonVoltmeter
from instruments.drivers.over_links import (
    RegisterEnvironmentSensor,
    RegisterMeter,
    ScpiEnvironmentSensor,
    ScpiLoad,
    ScpiMeter,
    ScpiReference,
    ScpiSwitch,
    ScpiVoltageReference,
    ScpiVoltmeter,
)
from instruments.drivers.shelf_load import PersonLoad
from instruments.errors import QueuedError
from instruments.operator.person import ScriptedPerson
from instruments.operator.plausibility import Question
from tests.harness.station.moved_by_hand import MovedByHand

HERE = Path(__file__).parent


class Asked(ScriptedPerson):
    """Types the same value for everything, and keeps the questions."""

    def __init__(self) -> None:
        super().__init__()
        self.questions: list[Question] = []

    def read_value(self, question: Question) -> tuple[float, str]:
        self.questions.append(question)
        return 1.0, "1"


class Noted(MovedByHand):
    """Notes which links were asked for and what a person did."""

    def text(self, *what: Any) -> Any:
        self.asked.append(("text", *what))
        return SimpleNamespace(close=lambda: None, write=lambda text: self.asked.append(text), query=lambda _: "0")

    def registers(self, *what: Any) -> Any:
        self.asked.append(("registers", *what))
        return SimpleNamespace(close=lambda: None, read_registers=lambda function, address, count: [0] * count)


@pytest.fixture
def links() -> Noted:
    return Noted()


@pytest.fixture
def person() -> Asked:
    return Asked()


@pytest.fixture
def drivers(links: Noted, person: Asked, tmp_path: Path) -> Callable[..., Drivers]:
    """The drivers of a template's bench with text replaced; its lines of roles, and instruments, may be added to."""

    def make(
        *changes: tuple[str, str],
        roles: str = "",
        instruments: str = "",
        by_hand: bool = False,
        device: tuple[str, str] = ("", ""),
    ) -> Drivers:
        name = "bench_by_hand.toml" if by_hand else "bench.toml"
        text = template(name)
        for old, new in (
            *changes,
            ("[roles]\n", f"[roles]\n{roles}\n"),
            ("# Used by the sim", f"{instruments}\n# Used by the sim"),
        ):
            assert old in text
            text = text.replace(old, new, 1)
        of_device = template("device.toml")
        assert device[0] in of_device
        made = parse_device(of_device.replace(*device, 1) if device[0] else of_device, "device.toml")
        return Drivers(made, parse_bench(text, name), person, RealClock(), links, [tmp_path])

    return make


def test_each_part_on_a_link_has_its_driver_by_its_profile(drivers: Callable[..., Drivers], links: Noted) -> None:
    """And the link is asked for by name, entry of the bench file and profile, when it is opened and not before."""
    made = drivers()
    bench = made.bench
    parts: list[tuple[Any, type, str]] = [
        (made.load(), ScpiLoad, "source"),
        (made.reference(), ScpiReference, "multimeter"),
        (made.meter(), RegisterMeter, "monitor"),
        (made.switch(), ScpiSwitch, "relay"),
    ]
    assert links.asked == []
    for part, kind, name in parts:
        assert type(part) is kind
        assert (part.name, part.address) == (name, bench.instruments[name].address)
        part.open()
        if kind is RegisterMeter:
            assert links.asked[-1][:3] == ("registers", name, bench.instruments[name])
        else:
            assert links.asked[-1] == ("text", name, bench.instruments[name], part.profile)


def test_a_register_line_is_drained_when_it_is_opened_again(drivers: Callable[..., Drivers], links: Noted) -> None:
    """What a late reply of before left on it must not be read as the next one's."""
    meter = drivers().meter()
    meter.open()
    meter.open()
    assert [asked[-1] for asked in links.asked] == [False, True]


def test_a_register_meter_is_read_by_the_clock_of_the_run(drivers: Callable[..., Drivers]) -> None:
    """Its reading is compared with the reference's, which the same clock times."""
    made = drivers()
    meter = made.meter()
    meter.open()
    before = made.clock.now()
    found = meter.read()
    assert before <= found.started <= found.finished <= made.clock.now()


def test_a_relay_is_told_the_position_of_the_range_and_believed_only_when_it_confirms(
    drivers: Callable[..., Drivers], links: Noted
) -> None:
    """It answers 0 to everything: the contact is open."""
    made = drivers()
    relay, position = made.switch(), made.bench.instruments["relay"].positions["x4"]
    relay.open()
    with pytest.raises(QueuedError, match=f"did not confirm position {re.escape(position)} for x4"):
        relay.select("x4")
    assert [text for text in links.asked if isinstance(text, str) and position in text]


SENSOR = '[instruments.sensor]\nprofile = "{}"\naddress = "TCPIP::127.0.0.1::15030::SOCKET"\n'
OTHER = '[instruments.other]\nprofile = "{}"\naddress = "TCPIP::127.0.0.1::15030::SOCKET"\n'
ROOM = 'environment = "sensor"'
RANGES = 'ranges = [{ full_scale = "50 mA", of_reading = "0.1 %", resolution = "2 uA" }]\n'
VOLTS = 'voltage = { of_reading = "0.2 %", resolution = "0.5 V" }\n'
CHECKED = 'check_standard = "other"'
STANDARD = '[check_standard]\ncurrent = "1 A"\nuncertainty = "0.1 %"\n'


@pytest.mark.parametrize(
    ("part", "roles", "instruments", "kind"),
    [
        ("environment", ROOM, SENSOR.format("scpi_environment"), ScpiEnvironmentSensor),
        (
            "environment",
            ROOM,
            SENSOR.format("modbus_environment").replace("TCPIP::127.0.0.1::15030::SOCKET", "modbus-tcp://h:1"),
            RegisterEnvironmentSensor,
        ),
        ("secondary", 'secondary = "other"', OTHER.format("scpi_multimeter") + RANGES, ScpiReference),
        ("voltmeter", 'voltage = "other"', OTHER.format("scpi_multimeter") + VOLTS, ScpiVoltmeter),
        ("check_standard", CHECKED, OTHER.format("scpi_multimeter") + STANDARD, ScpiMeter),
    ],
)
def test_what_a_bench_may_have_beside(
    drivers: Callable[..., Drivers], part: str, roles: str, instruments: str, kind: type
) -> None:
    made = getattr(drivers(roles=roles, instruments=instruments), part)()
    assert type(made) is kind
    assert made.name in ("sensor", "other")


def test_a_voltmeter_measures_on_its_range_for_the_mains(drivers: Callable[..., Drivers], links: Noted) -> None:
    """230 V is the nominal voltage of IEC 60038: on a range for less a multimeter shows nothing, and may be damaged."""
    voltmeter = drivers(roles='voltage = "other"', instruments=OTHER.format("scpi_multimeter") + VOLTS).voltmeter()
    voltmeter.open()
    voltmeter.start()
    assert "CONFigure:VOLTage:AC 230" in links.asked


SHUNT = """
kind = "shunt"
[reference_path.part]
serial = "S-1"
calibration = { certificate = "Q", date = 2026-07-29, due = 2027-07-29 }
resistance = "1 mohm"
power_rating = "10 W"
temperature_coefficient = "0.002 %/K"
self_heating = "4 K/W"
rated_current = "100 A"
calibrated = [{ current = "1 A", frequency = "50 Hz", resistance = "1 mohm", uncertainty = "0.1 %" }]
"""


def shunted(bench: str = "bench.toml") -> list[tuple[str, str]]:
    """The changes that put the reference across a shunt."""
    text = template(bench)
    path = text[text.index('kind = "transformer"') : text.index("# Other paths.")]
    ranges = text[text.index("ranges = [\n") : text.index("# The meter under test.")]
    return [
        (path, SHUNT),
        (ranges, 'ranges = [{ full_scale = "100 mV", of_reading = "0.1 %", resolution = "1 uV" }]\n'),
    ]


def test_across_a_shunt_the_reference_reads_volts(drivers: Callable[..., Drivers], tmp_path: Path) -> None:
    assert type(drivers(*shunted()).reference()) is ScpiVoltageReference
    (tmp_path / "amperes.toml").write_text(
        'kind = "scpi"\nrole = "reference"\ntitle = "x"\n[quantities.current]\nunit = "A"\nget = "READ?"\n',
        encoding="utf-8",
    )
    with pytest.raises(UserError) as refused:
        drivers(*shunted(), ('profile = "scpi_multimeter"', 'profile = "amperes"')).reference()
    assert str(refused.value) == (
        "instruments.multimeter.profile: found 'amperes', expected a profile with a voltage: the reference path is read in volts"
    )


@pytest.mark.parametrize(
    ("quantity", "taken"),
    [
        ("", False),
        ('[quantities.frequency]\nunit = "Hz"\nget = "MEASure:FREQuency?"\n', True),
        ('[quantities.frequency]\nunit = "Hz"\nget = "READ?"\nconfigure = ["CONFigure:FREQuency"]\n', False),
    ],
)
def test_a_frequency_is_read_only_where_it_needs_no_other_range(
    drivers: Callable[..., Drivers], tmp_path: Path, quantity: str, taken: bool
) -> None:
    """Configured away from its current, the reference would leave the load unwatched."""
    (tmp_path / "own.toml").write_text(
        f'kind = "scpi"\nrole = "reference"\ntitle = "x"\n[quantities.current]\nunit = "A"\nget = "READ?"\n{quantity}',
        encoding="utf-8",
    )
    made = drivers(('profile = "scpi_multimeter"', 'profile = "own"\nfrequency = { of_reading = "0.01 %" }'))
    if taken:
        assert made.reference().name == "multimeter"
        return
    with pytest.raises(UserError) as refused:
        made.reference()
    assert str(refused.value) == (
        "instruments.multimeter.frequency: found it with profile 'own', expected a profile that reads the frequency beside the current"
    )


@pytest.mark.parametrize(("full_scale", "taken"), [("40 mA", True), ("39 mA", False)])
def test_the_multimeter_in_the_secondary_must_bear_what_may_flow_there(
    drivers: Callable[..., Drivers], full_scale: str, taken: bool
) -> None:
    """The device's input stands 40 mA: a multimeter whose fuse blows below it opens the secondary."""
    other = OTHER.format("scpi_multimeter") + RANGES.replace("50 mA", full_scale)
    made = drivers(roles='secondary = "other"', instruments=other)
    if taken:
        assert made.secondary().name == "other"
        return
    with pytest.raises(UserError) as refused:
        made.secondary()
    assert str(refused.value) == (
        "instruments.other.ranges: found 0.039 A as the largest full scale, expected at least the 0.04 A the secondary may carry "
        "(maximum_secondary_current)"
    )


def test_what_a_bench_file_may_not_ask_of_an_instrument(drivers: Callable[..., Drivers]) -> None:
    voltage = 'voltage = "other"'
    cases = {
        "instruments.source.profile: found 'scpi_relay', a profile for a switch, expected one for a load": drivers(
            ('profile = "scpi_load"', 'profile = "scpi_relay"')
        ).load,
        "instruments.relay.positions: found none for x4, x20, expected the relay's text for every range": drivers(
            ('x1 = "101", x4 = "102", x20 = "103"', 'x1 = "101"')
        ).switch,
        "instruments.sensor.profile: found 'person', expected a sensor's profile; what a person reads is typed into [environment]": drivers(
            roles=ROOM, instruments='[instruments.sensor]\nprofile = "person"\n'
        ).environment,
        "instruments.other.profile: found 'modbus_power_meter', expected a SCPI profile with a voltage": drivers(
            roles=voltage,
            instruments=OTHER.format("modbus_power_meter").replace(
                "TCPIP::127.0.0.1::15030::SOCKET", "modbus-tcp://h:1"
            )
            + VOLTS,
        ).voltmeter,
        "instruments.other.profile: found 'scpi_load', a profile for a load, expected one for a check standard": drivers(
            roles=CHECKED, instruments=OTHER.format("scpi_load") + STANDARD
        ).check_standard,
    }
    for told, part in cases.items():
        with pytest.raises(UserError) as refused:
            part()
        assert str(refused.value) == told


def test_the_parts_a_person_plays(drivers: Callable[..., Drivers], links: Noted, person: Asked) -> None:
    """What they do reaches the bench; who reads a display is asked in its steps, and doubted as far as the shelf is rough."""
    made = drivers(by_hand=True)
    load, reference, meter, switch = made.load(), made.reference(), made.meter(), made.switch()
    assert [type(part) for part in (load, reference, meter, switch)] == [
        PersonLoad,
        PersonReference,
        PersonMeter,
        PersonSwitch,
    ]
    roles = made.bench.roles
    assert [part.name for part in (load, reference, meter, switch)] == [
        roles.load,
        roles.reference,
        roles.meter,
        roles.switch,
    ]
    assert [part.identify().serial for part in (load, reference, meter, switch)] == ["", "M-0871", "40117", ""]
    assert "small lamp, night light, lamp" in load.identify().text
    load.drive(0.23)
    reference.configure(0.4)
    switch.select("x4")
    assert links.asked == [("plug", 0.23), ("reference", 0.4), ("switch", "x4")]
    reference.read(0.23)
    meter.read(0.23)
    of_reference, of_meter = person.questions
    assert (of_reference.text, of_reference.of, of_reference.unit) == ("  multimeter shows", "reference", "A")
    assert of_reference.resolution == pytest.approx(10e-6)
    # A shelf says only roughly what flows; the device's display is compared with what the reference read.
    assert of_reference.tolerance == 0.5
    assert (of_meter.of, of_meter.resolution, of_meter.tolerance) == ("meter", made.device.display.resolution, 0.2)


def test_with_a_load_that_is_set_a_typed_current_is_doubted_sooner(
    drivers: Callable[..., Drivers], person: Asked
) -> None:
    changes = [('profile = "scpi_multimeter"\naddress = "TCPIP::127.0.0.1::15026::SOCKET"', 'profile = "person"')]
    reference = drivers(*changes).reference()
    reference.configure(1.0)
    reference.read(0.5)
    assert (person.questions[0].tolerance, person.questions[0].resolution) == (0.2, 1e-6)


def test_across_a_shunt_a_person_reads_volts(drivers: Callable[..., Drivers], person: Asked) -> None:
    changes = [('profile = "scpi_multimeter"\naddress = "TCPIP::127.0.0.1::15026::SOCKET"', 'profile = "person"')]
    reference = drivers(*changes, *shunted()).reference()
    reference.read(0.05)
    assert (person.questions[0].unit, person.questions[0].resolution) == ("V", 1e-6)


def test_a_person_reads_what_else_each_display_shows(drivers: Callable[..., Drivers], person: Asked) -> None:
    """Power and voltage of the reference, power and power factor of the device, each in its own step; nothing of what is not there."""
    plain = drivers(by_hand=True, device=("power_factor_resolution = 0.001\n", ""))
    assert not plain.reference().can_read_beside_current("power")
    assert plain.meter().can_read_beside_current("power")
    assert not plain.meter().can_read_beside_current("power_factor")
    shows = VOLTS + 'power = { of_reading = "0.5 %", resolution = "10 mW" }\n'
    made = drivers(('serial = "M-0871"\n', f'serial = "M-0871"\n{shows}'), by_hand=True)
    reference, meter = made.reference(), made.meter()
    assert not reference.can_read_beside_current("power_factor")
    assert not meter.can_read_beside_current("voltage")
    reference.read_beside(["voltage", "power"])
    meter.read_beside(["power", "power_factor"])
    assert [(q.resolution, q.unit, q.of) for q in person.questions] == [
        (0.5, "V", "reference voltage"),
        (0.01, "W", "reference power"),
        (0.1, "W", "meter power"),
        (0.001, "", "meter power_factor"),
    ]


def test_the_multimeter_in_the_secondary_is_asked_for_its_current_and_turned_without_a_word_to_the_bench(
    drivers: Callable[..., Drivers], links: Noted, person: Asked
) -> None:
    by_eye = '[instruments.other]\nprofile = "person"\nserial = "N-9"\n' + RANGES + VOLTS
    secondary = drivers(roles='secondary = "other"', instruments=by_eye).secondary()
    assert isinstance(secondary, PersonReference)
    secondary.configure(0.05)
    secondary.read(0.01)
    asked = person.questions[0]
    assert (asked.text, asked.of, asked.resolution) == ("  other shows", "secondary", 2e-6)
    assert not secondary.can_read_beside_current("voltage")
    assert links.asked == []
    assert secondary.identify().serial == "N-9"


def test_a_voltmeter_read_by_a_person_has_its_own_step(drivers: Callable[..., Drivers], person: Asked) -> None:
    by_eye = '[instruments.other]\nprofile = "person"\nserial = "N-9"\n' + VOLTS
    voltmeter = drivers(roles='voltage = "other"', instruments=by_eye).voltmeter()
    assert type(voltmeter) is PersonVoltmeter
    voltmeter.read()
    assert (person.questions[0].resolution, person.questions[0].unit, voltmeter.identify().serial) == (0.5, "V", "N-9")
    assert voltmeter.name == "other"


@pytest.mark.parametrize(("ranges", "step"), [(RANGES, 2e-6), ("", None)])
def test_a_check_standard_read_by_a_person_has_its_own_step_or_that_of_the_device(
    drivers: Callable[..., Drivers], person: Asked, ranges: str, step: float | None
) -> None:
    """It shows nothing beside its current: power and power factor are those of the device under verification."""
    by_eye = '[instruments.other]\nprofile = "person"\nserial = "N-9"\n' + ranges + STANDARD
    made = drivers(roles=CHECKED, instruments=by_eye)
    standard = made.check_standard()
    standard.read(1.0)
    assert person.questions[0].of == "check_standard"
    assert person.questions[0].resolution == (step or made.device.display.resolution)
    assert not standard.can_read_beside_current("power")
