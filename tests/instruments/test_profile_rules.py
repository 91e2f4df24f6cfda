"""The rules a profile's file must keep."""

from pathlib import Path

import pytest

from instruments.profile import (
    SHIPPED,
    ProfileError,
    load_profile,
)


@pytest.mark.parametrize("get", ["FETCh?", "fetch:current:ac?", ":FETC?", "*WAI;FETC:CURR?", "FETCh? (@1)"])
def test_fetch_without_a_trigger_is_refused(get: str, tmp_path: Path) -> None:
    """SCPI-99: FETCh? gives the last measurement again; in every form it can be written in."""
    text = f'kind = "scpi"\nrole = "reference"\ntitle = "t"\n[quantities.current]\nunit = "A"\nget = "{get}"\n'
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError, match=r"mine\.toml: quantities\.current\.get: found .* expected READ\?"):
        load_profile("mine", (tmp_path,))
    (tmp_path / "mine.toml").write_text(text + '[trigger]\nfire = ["INITiate"]\n', encoding="utf-8")
    load_profile.cache_clear()
    assert load_profile("mine", (tmp_path,)).quantities["current"].fetches


def test_what_is_expected_is_a_list_and_one_text_alone_is_told_as_such(tmp_path: Path) -> None:
    """A natural slip: one answer, written without its brackets."""
    shipped = (SHIPPED / "scpi_load.toml").read_text(encoding="utf-8")
    told = shipped.replace('expect = ["0", "OFF"]', 'expect = "OFF"')
    assert told != shipped
    (tmp_path / "mine.toml").write_text(told, encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        load_profile("mine", (tmp_path,))
    (line,) = str(caught.value).splitlines()
    assert line.endswith(
        "mine.toml: safe.confirm[1].expect: found 'OFF', expected a list in square brackets, such as ['OFF']"
    )


def test_every_problem_of_a_profile_has_its_line(tmp_path: Path) -> None:
    """File, key, what was found and what is expected, for all at once."""
    (tmp_path / "mine.toml").write_text(
        'kind = "scpi"\nrole = "load"\ntitle = "t"\nstart = ["X {y}"]\n'
        '[quantities.curent]\nunit = "A"\n[quantities.power]\nunit = "V"\n',
        encoding="utf-8",
    )
    with pytest.raises(ProfileError) as caught:
        load_profile("mine", (tmp_path,))
    lines = str(caught.value).splitlines()
    keys = ["start", "quantities.curent", "quantities.power.unit", "quantities.current"]
    keys += ["safe.commands", "safe.confirm", "on"]
    assert [line.split(": ")[1] for line in lines] == keys
    assert all(line.startswith(f"{tmp_path / 'mine.toml'}: ") and ": found " in line for line in lines)
    assert all(", expected " in line for line in lines)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("[registers.current]\nunit = 'A'\naddress = 70000", "registers.current.address"),
        ("[registers.current]\nunit = 'A'\naddress = 7\ntype = 'int24'", "registers.current.type"),
        ("[registers.current]\nunit = 'mA'\naddress = 7", "registers.current.unit"),
        ("[registers.current]\naddress = 7\nunit = 'A'\nbyte_order = 'odd'", "registers.current.byte_order"),
        ("[registers.current]\naddress = 7\nunit = 'A'\n[quantities.voltage]\nunit = 'V'", "quantities"),
    ],
)
def test_register_maps_are_checked(tmp_path: Path, text: str, key: str) -> None:
    """One line, with the key at fault."""
    (tmp_path / "mine.toml").write_text(f"kind = 'modbus'\nrole = 'meter'\ntitle = 't'\n{text}\n", encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        load_profile("mine", (tmp_path,))
    assert str(caught.value).startswith(f"{tmp_path / 'mine.toml'}: {key}: found ")
    assert ", expected " in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize("address", [400001, -1])
def test_registers_count_from_0(tmp_path: Path, address: int) -> None:
    """MODBUS Application Protocol Specification V1.1b3, section 4.4: from 0 to 65535, and register X is addressed X - 1."""
    text = f"kind = 'modbus'\nrole = 'meter'\ntitle = 't'\n[registers.current]\nunit = 'A'\naddress = {address}\n"
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        load_profile("mine", (tmp_path,))
    assert str(caught.value) == (
        f"{tmp_path / 'mine.toml'}: registers.current.address: found {address}, expected 0 to 65535, counted from 0 as on the line "
        "(a manual's register 40001, 400001 or 1 is 0)"
    )


WATCHDOG = '[watchdog]\nseconds = 5\narm = ["WDOG {value}"]\nfeed = ["WDOG:RESTart"]\ndisarm = ["WDOG OFF"]\n'


@pytest.mark.parametrize(
    ("role", "before", "after", "told"),
    [
        ("reference", "", "", "watchdog: found it, expected none"),
        ("load", "WDOG:RESTart", "WDOG?", "watchdog: found 'WDOG?' in feed, expected a command that is not answered"),
        ("load", "WDOG OFF", "WDOG {value}", "watchdog: found 'WDOG {value}' in disarm, expected no braces"),
        ("load", "seconds = 5", "seconds = 0", "watchdog.seconds: found 0, expected greater than 0"),
        ("load", 'feed = ["WDOG:RESTart"]\n', "", "watchdog.feed: found nothing, expected this key"),
    ],
)
def test_a_watchdog_is_checked(tmp_path: Path, role: str, before: str, after: str, told: str) -> None:
    """Only a load has one, and all that arms, feeds and disarms it has to be there."""
    text = (SHIPPED / "scpi_load.toml").read_text(encoding="utf-8").replace('"load"', f'"{role}"')
    (tmp_path / "mine.toml").write_text(text + WATCHDOG.replace(before, after), encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        load_profile("mine", (tmp_path,))
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("profile", "parts"),
    [
        ("scpi_multimeter", {"reference", "secondary", "voltage", "check_standard"}),
        ("scpi_power_analyser", {"reference", "meter", "secondary", "voltage", "check_standard"}),
        ("modbus_power_meter", {"meter", "secondary", "voltage", "check_standard"}),
        ("modbus_meter", {"meter", "secondary", "check_standard"}),
        ("scpi_load", {"load"}),
        ("scpi_relay", {"switch"}),
        ("scpi_environment", {"environment"}),
    ],
)
def test_what_parts_a_profile_can_play(profile: str, parts: set[str]) -> None:
    """What reads a current can be put into the secondary or stand by as a check standard; volts need a voltage."""
    every = ("load", "reference", "meter", "switch", "environment", "secondary", "voltage", "check_standard")
    assert {part for part in every if load_profile(profile).plays(part)} == parts


@pytest.mark.parametrize(
    ("text", "part"),
    [
        (
            "kind = 'scpi'\nrole = 'load'\ntitle = 't'\n[quantities.current]\nunit = 'A'\nset = ['X {value}']",
            "safe.commands",
        ),
        (
            "kind = 'scpi'\nrole = 'reference'\ntitle = 't'\n[quantities.current]\nget = 'READ?'",
            "quantities.current.unit",
        ),
        ("kind = 'scpi'\nrole = 'reference'\ntitle = 't'\ncolour = 1\n[quantities.current]\nunit = 'A'", "colour"),
        (
            "kind = 'scpi'\nrole = 'reference'\ntitle = 't'\n[quantities.current]\nunit = 'A'\nset = ['CURR 5']",
            "{value}",
        ),
        ("kind = 'modbus'\nrole = 'meter'\ntitle = 't'", "registers.current"),
        ("kind = 'scpi'\nrole = 'switch'\ntitle = 't'", "switching"),
        ("kind = ", "not TOML"),
    ],
)
def test_malformed_profiles_are_refused_by_file_and_key(tmp_path: Path, text: str, part: str) -> None:
    """Strict: unknown keys, missing units, commands without their number."""
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        load_profile("mine", (tmp_path,))
    assert part in str(caught.value)
    assert "mine.toml" in str(caught.value)


def test_a_workshop_profile_comes_before_a_shipped_one_and_a_missing_one_is_named(tmp_path: Path) -> None:
    """Found by name in the given folders first."""
    shipped = (SHIPPED / "modbus_meter.toml").read_text(encoding="utf-8")
    (tmp_path / "modbus_meter.toml").write_text(shipped.replace("address = 0", "address = 18"), encoding="utf-8")
    assert load_profile("modbus_meter", (tmp_path,)).registers["current"].address == 18
    with pytest.raises(ProfileError, match=r"'nothing' not found, expected person, .*modbus_meter, "):
        load_profile("nothing", (tmp_path,))
