"""Files that do not fit each other or their profiles, told before anything is asked; odd ones that do fit, run."""

from pathlib import Path

import pytest

from harness.commands.new import BENCH, BENCH_BY_HAND, new
from harness.commands.rehearse import RehearseOptions
from harness.core.errors import UserError
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import RunInputs, load_inputs
from harness.station.identification import identity_problems, serial_elsewhere
from harness.station.wires import resolved_address
from harness.steps import Options
from instruments.profile import SHIPPED
from instruments.reading import Identity


def inputs(
    folder: Path, device: tuple[str, str] = ("", ""), bench: tuple[str, str] = ("", ""), procedure: str = "turns_check"
) -> RunInputs:
    """The templates' pair in `folder`, each with one text in place of another."""
    files = new(folder / "files", BENCH)
    for file, (old, to) in zip(files, (device, bench), strict=True):
        text = file.read_text(encoding="utf-8")
        assert old in text
        file.write_text(text.replace(old, to, 1), encoding="utf-8")
    return load_inputs(*files, procedure, Options(readings=2, per_decade=1))


def test_a_claim_below_the_display_is_told_by_its_cause_alone(tmp_path: Path) -> None:
    """Every reading would be zero; what follows from that would be told in two dozen lines."""
    with pytest.raises(UserError) as caught:
        inputs(tmp_path, device=('minimum_current = "40 mA"', 'minimum_current = "500 uA"'))
    (line,) = caught.value.problems
    assert (
        "device.toml: ranges[3].minimum_current: found 500 uA, but on range x20 the display shows nothing below "
        in line
    )


@pytest.mark.parametrize(
    ("old", "to", "part"),
    [
        (
            'serial = "40117"',
            'serial = "QB-40117"',
            "instruments.monitor.serial: found 'QB-40117', expected a number of 32",
        ),
        ('serial = "40117"', 'serial = "0040117"', "without leading zeros"),
        ('serial = "40117"', 'serial = "4294967296"', "expected a number of 32 bits"),
        ('serial = "M-0871"', 'serial = "M,0871"', "expected none of the commas"),
        ('serial = "M-0871"', 'serial = "M-0871é"', "expected printable ASCII characters"),
    ],
)
def test_a_serial_number_that_no_reply_can_hold(tmp_path: Path, old: str, to: str, part: str) -> None:
    with pytest.raises(UserError) as caught:
        inputs(tmp_path, bench=(old, to))
    (line,) = caught.value.problems
    assert part in line


@pytest.mark.parametrize("by_hand", [True, False])
def test_two_serial_numbers_of_one_meter_that_answers_with_none(tmp_path: Path, by_hand: bool) -> None:
    """The certificate names it once, so that it cannot be taken for another one."""
    device, bench = new(tmp_path, BENCH_BY_HAND if by_hand else BENCH)
    if not by_hand:
        profile = (SHIPPED / "modbus_meter.toml").read_text(encoding="utf-8").partition("[serial_registers]")[0]
        (tmp_path / "silent.toml").write_text(profile, encoding="utf-8")
        bench.write_text(bench.read_text(encoding="utf-8").replace('"modbus_meter"', '"silent"'), encoding="utf-8")
    assert RehearseOptions(device, bench, "turns_check").inputs().device.identity.serial == "40117"
    device.write_text(device.read_text(encoding="utf-8").replace('"40117"', '"2207"'), encoding="utf-8")
    with pytest.raises(UserError) as caught:
        RehearseOptions(device, bench, "turns_check").inputs()
    (line,) = caught.value.problems
    assert line.startswith(
        f"{bench}: instruments.monitor.serial: found '40117', expected '2207' as identity.serial in "
    )
    assert str(device) in line
    for file, stated in ((device, '"2207"'), (bench, '"40117"')):
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace(f"serial = {stated}", 'serial = ""'), encoding="utf-8")
        RehearseOptions(device, bench, "turns_check").inputs()
        file.write_text(text, encoding="utf-8")


def test_a_serial_number_that_the_meter_answers_may_be_another_than_on_its_plate(tmp_path: Path) -> None:
    """A metering module has one of its own; what it answers is compared with the bench file when it is opened."""
    device, bench = new(tmp_path, BENCH)
    device.write_text(device.read_text(encoding="utf-8").replace('"40117"', '"2207"'), encoding="utf-8")
    inputs = RehearseOptions(device, bench, "turns_check").inputs()
    assert (inputs.device.identity.serial, inputs.bench.entry("meter").serial) == ("2207", "40117")


@pytest.mark.parametrize(
    ("old", "to"),
    [
        ('profile = "scpi_load"', 'profile = "../.."'),
        ('profile = "scpi_load"', 'profile = "/etc/passwd"'),
        ("[instruments.source]", '[instruments."../source"]'),
        ("[instruments.source]", '[instruments."C:source"]'),
    ],
)
def test_names_lead_nowhere(tmp_path: Path, old: str, to: str) -> None:
    """A transcript and a copy of every profile are called by them."""
    with pytest.raises(UserError) as caught:
        inputs(tmp_path, bench=(old, to))
    assert "expected a name of up to 60 letters, digits, blanks, points and hyphens" in str(caught.value)


def test_a_load_whose_largest_current_is_the_maximum_test_current_is_not_asked_for_more(tmp_path: Path) -> None:
    """Its own limit is refused beyond its range; 1 % above the maximum test current would be."""
    of_the_load = 'timeout = "1 s"' + '\nmaximum_current = "100 A"'
    given = inputs(tmp_path, bench=(of_the_load, of_the_load.replace("100 A", "80 A")), procedure="current_ratio")
    assert given.bench.entry("load").maximum_current == 80
    rehearsal = rehearsal_of(given, StopSignal())
    assert rehearsal.problems == ()
    assert max(p.nominal_current for p in rehearsal.results.ranges[0].points) == pytest.approx(80, rel=0.02)


def test_a_reference_that_chooses_its_range_itself(tmp_path: Path) -> None:
    """Without `configure` in its profile nobody tells it one."""
    profile = (SHIPPED / "scpi_multimeter.toml").read_text(encoding="utf-8")
    (tmp_path / "files").mkdir()
    own = profile.replace('configure = ["CONFigure:CURRent:AC {value}"]\n', "").partition("[quantities.voltage]")[0]
    (tmp_path / "files" / "auto.toml").write_text(own, encoding="utf-8")
    given = inputs(tmp_path, bench=('profile = "scpi_multimeter"', 'profile = "auto"'), procedure="current_ratio")
    rehearsal = rehearsal_of(given, StopSignal())
    assert rehearsal.problems == ()
    assert rehearsal.results.verdict == "pass"


def test_a_reference_too_coarse_to_read_anything(tmp_path: Path) -> None:
    """It reads nothing within its claim, and no error can be told against nothing."""
    coarse = ('resolution = "10 nA"', 'resolution = "10 mA"')
    with pytest.raises(UserError, match="was expected and the reference reads 0 A"):
        rehearsal_of(inputs(tmp_path, bench=coarse, procedure="current_ratio"), StopSignal())


@pytest.mark.parametrize("port", ["COM3", "com12", r"\\.\COM3"])
def test_a_port_of_windows_is_no_file(port: str) -> None:
    assert resolved_address(f"modbus-rtu:{port}", Path("/bench")) == f"modbus-rtu:{port}"
    assert resolved_address("modbus-rtu:port", Path("/bench")) == "modbus-rtu:/bench/port"


def test_a_serial_number_in_another_field_is_told(tmp_path: Path) -> None:
    given = inputs(tmp_path)
    answer = {"multimeter": Identity("Weir,M-0871,Type 5,1.0", "Type 5")}
    (told,) = identity_problems(given.bench, answer, given.bench.entry("reference").calibration.date).values()
    assert told.endswith("; that is field 1 of the reply (serial_field counts from 0)")
    assert serial_elsewhere(Identity("Weir,Type 5,,1.0", ""), "M-0871") == ""


def test_an_endless_identity_is_cut_where_it_is_shown(tmp_path: Path) -> None:
    given = inputs(tmp_path)
    answer = {"multimeter": Identity("x," * 9000, "\x1b[31m" + "9" * 9000)}
    (told,) = identity_problems(given.bench, answer, given.bench.entry("reference").calibration.date).values()
    assert len(told) < 300
    assert told.isprintable()


def _two_at_one_place(folder: Path, sensor: str) -> RunInputs:
    """The templates' pair with a sensor `sensor` (keys of its table) beside the meter on its serial line."""
    return inputs(
        folder, bench=("[instruments.monitor]", f'[instruments.sensor]\n{sensor}\nserial = ""\n\n[instruments.monitor]')
    )


def test_units_of_one_modbus_line_share_its_port_and_nothing_else_does(tmp_path: Path) -> None:
    """Units are told apart by their number in every frame (MODBUS over Serial Line V1.02, 2.2); text has no such number."""
    line = 'profile = "modbus_environment"\naddress = "modbus-rtu:./files/../monitor-port"\nunit_id = 2'
    assert _two_at_one_place(tmp_path / "units", line).bench.instruments["sensor"].unit_id == 2
    same = line.replace("= 2", "= 1")
    text = 'profile = "scpi_environment"\naddress = "ASRLmonitor-port::INSTR"'
    for name, table in (("same", same), ("text", text)):
        with pytest.raises(UserError, match="where 'sensor' is too"):
            _two_at_one_place(tmp_path / name, table)
