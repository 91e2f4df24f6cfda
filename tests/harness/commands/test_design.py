"""The command: what it prints, how it ends, and that it fits a terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.command_line import main
from harness.commands.new import template


@pytest.fixture
def device_file(tmp_path: Path) -> Path:
    file = tmp_path / "device.toml"
    file.write_text(template("device.toml"), encoding="utf-8")
    return file


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_the_demo_device_may_be_wound(
    device_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(device_file.parent)
    assert main(["design", "device.toml"]) == 0
    printed = capsys.readouterr().out
    assert (
        "Nothing in the way on paper, as far as the file tells (1 left open above). A verification shows it"
        in " ".join(printed.split())
    )
    assert "x20 and x4: 200 mA to 4 A both claimed" in printed
    assert "electrical safety of the modification (insulation, protective conductor, touch current)" in " ".join(
        printed.split()
    )
    assert max(map(len, printed.splitlines())) <= 80


def test_what_is_not_protected_is_told_with_what_to_do(
    device_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    change(device_file, 'name = "x20"', 'name = "twenty turns of thin wire"')
    change(device_file, 'switch = "100 A"', 'switch = "2 A"\nsupply_socket = "13 A"')
    assert main(["design", str(device_file)]) == 1
    printed = capsys.readouterr().out
    assert "In the way of winding" in printed
    assert "Not protected in daily use" in printed
    assert "not protected: correct before daily use." in printed
    assert "range switch: rated 2 A, the supply socket lets 13 A flow" in printed
    # Everything but the first line, which names a path that this test does not choose.
    assert max(map(len, printed.splitlines()[2:])) <= 80


def test_json_is_one_document_in_si_units(device_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change(device_file, 'switch = "100 A"', 'switch = "100 A"\nsupply_socket = "10 A"')
    assert main(["design", str(device_file), "--json", "--smallest", "2 mA"]) == 0
    sheet = json.loads(capsys.readouterr().out)
    # 10 A of a kind not known, 2.1 times as much through 20 turns on 2500: 168 mA, 3.4 times 50 mA (IEC 60127-2: 10 ms to 0.5 s).
    twenty = sheet["ranges"][2]
    assert twenty["supply_secondary_current"] == pytest.approx(0.168)
    assert twenty["melting_window"] == [0.003, 0.5]
    # x4 carries 16.8 mA there and no fuse of 50 mA bounds that from above.
    assert sheet["ranges"][1]["melting_window"][1] is None
    assert {f["grade"] for f in sheet["findings"]} >= {"not protected", "worth knowing"}
    assert sheet["wanted"]["turns"] == 10


@pytest.mark.parametrize("asked", ["5", "5 V", "-1 mA", "0 A", "nan A"])
def test_a_wrong_current_is_the_users(device_file: Path, capsys: pytest.CaptureFixture[str], asked: str) -> None:
    assert main(["design", str(device_file), f"--smallest={asked}"]) == 2
    assert "--smallest: found" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('secondary_clamp = "across winding"', "", "secondary_clamp_voltage and no secondary_clamp"),
        ('# fuse_type = "gG"', 'fuse_type = "gG"', "fuse_type and no fuse"),
        ('switch_contacts = "break before make"', 'switch_contacts = "yes"', "switch_contacts"),
    ],
)
def test_keys_that_say_nothing_alone_are_told(
    device_file: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, told: str
) -> None:
    change(device_file, old, new)
    assert main(["design", str(device_file)]) == 2
    assert told in capsys.readouterr().err


def test_a_wrong_key_is_the_users(device_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change(device_file, 'secondary_fuse_type = "F"', 'secondary_fuse_type = "FF"')
    assert main(["design", str(device_file)]) == 2
    assert "secondary_fuse_type" in capsys.readouterr().err
