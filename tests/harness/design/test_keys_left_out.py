"""What a key that is left out costs, against the worst that could be stated of it."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

import pytest

from harness.commands.new import template
from harness.design.check import check
from harness.files.device import Device, Path, Range, Transformer
from harness.files.loading import parse_device
from harness.wording.sentences import reason_text
from tests.harness.design.demo_device import device

OPTIONAL = {
    "switch_voltage": "switch_voltage",
    "supply_voltage": "supply_voltage",
    "switch_contacts": "switch_contacts",
    "switch_approval": "switch_approval",
    "secondary_fuse_type": "secondary_fuse_type",
    "secondary_clamp_voltage": "secondary_clamp_voltage",
    "supply_tapped": "supply_tapped",
    "window_diameter": "transformer.window_diameter",
    "wire_diameter": "wire_diameter of x1",
    "cross_section": "cross_section of x1",
}


@pytest.mark.parametrize("key", OPTIONAL)
def test_a_key_that_is_left_out_is_named_as_what_would_settle_what_is_open(key: str) -> None:
    whole, head = template("device.toml"), "[[ranges]]" if key in ("wire_diameter", "cross_section") else "[identity]"
    before, after = whole[: whole.index(head)], whole[whole.index(head) :]
    kept, line = after.partition(f"{key} = ")[::2]
    sheet = check(parse_device(f"{before}{kept}{line.partition(chr(10))[2]}", "device.toml"))
    (told,) = [reason for reason in sheet.open if reason not in check(device()).open]
    assert f"(not stated: {OPTIONAL[key]})" in reason_text(told)


WORST = {
    "transformer": {
        "winding_resistance": "900 ohm",
        "frequency": "16.7 Hz",
        "magnetising_inductance": "0.1 H",
        "magnetising_loss_angle": "80 deg",
        "window_diameter": "9 mm",
        "largest_secondary_peak": "1 mA",
        "largest_secondary_surge": "1 mA",
        "knee_voltage": "1 mV",
    },
    "path": {
        "fuse": "1 A",
        "fuse_type": "T",
        "fuse_i2t": "1 A^2 s",
        "supply_socket": "125 A",
        "supply_voltage": "690 V",
        "secondary_fuse": "10 mA",
        "secondary_fuse_type": "T",
        "secondary_fuse_resistance": "900 ohm",
        "secondary_fuse_i2t": "1e-9 A^2 s",
        "secondary_clamp_voltage": "0.1 V",
        "supply_tapped": "behind sensor",
        "switch_voltage": "12 V",
        "switch_contacts": "make before break",
        "switch_approval": "none",
        "cross_section": "0.1 mm2",
    },
    "ranges": {
        "cross_section": "0.1 mm2",
        "wire_diameter": "20 mm",
        "turn_length": "90 m",
        "conductor": "0.3 A",
        "fuse": "0.3 A",
        "fuse_type": "T",
        "fuse_i2t": "1 A^2 s",
        "bypasses_switch": False,
        "wiring": "independent",
    },
}


"""Every key that may be left out, with the worst that can honestly be said."""


LOOKED_FOR = {"switch_breaks", "secondary_clamp"}


"""Keys whose worst answer can kill: left out, they are in the way as well."""


OVERDRIVEN = {
    ("path", "supply_voltage"),
    ("path", "switch_voltage"),
    ("path", "secondary_fuse"),
    ("path", "secondary_fuse_resistance"),
    ("path", "secondary_clamp_voltage"),
    ("ranges", "cross_section"),
}


"""Keys that tell of a part which the run itself would overdrive: its limit of current does not keep a voltage or a wire's heat within bounds."""


@pytest.mark.parametrize(("table", "key"), [(table, key) for table, keys in WORST.items() for key in keys])
def test_what_is_stated_honestly_stands_in_the_way_no_more_than_the_same_left_out_unless_the_run_overdrives_it(
    table: str, key: str
) -> None:
    data = tomllib.loads(template("device.toml"))
    # Beside a fuse and what tells the ratio error, every key counts.
    data["path"] |= {"fuse": "63 A", "secondary_fuse_resistance": "1 ohm"}
    data["transformer"]["magnetising_inductance"] = "0.5 H"
    data["ranges"][2]["fuse"] = "3 A"
    stated, left_out = (_stops({**data, **_with(data, table, key, value)}) for value in (WORST[table][key], None))
    assert (not stated <= left_out) == ((table, key) in OVERDRIVEN)


def test_every_key_that_may_be_left_out_was_looked_at() -> None:
    models = {"transformer": Transformer, "path": Path, "ranges": Range}
    for table, model in models.items():
        optional = {name for name, field in model.model_fields.items() if not field.is_required()}
        assert optional - LOOKED_FOR == WORST[table].keys()


def _with(data: dict[str, Any], table: str, key: str, value: object) -> dict[str, Any]:
    """The table of `data` with `key` of the last range, or of the table itself, as `value`; None leaves it out."""
    changed = copy.deepcopy(data[table])
    where = changed[2] if table == "ranges" else changed
    where.pop(key, None)
    if value is not None:
        where[key] = value
    return {table: changed}


def _stops(data: dict[str, Any]) -> set[tuple[str, str]]:
    """What no run begins with: the range and the subject of each finding."""
    checked = check(Device.model_validate(data))
    return {(f.range, f.text.partition(":")[0]) for f in checked.findings if f.stops_a_run}
