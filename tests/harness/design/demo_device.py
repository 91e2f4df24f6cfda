"""The demo device with keys of its file replaced, and what the check on paper finds of it."""

from __future__ import annotations

from harness.commands.new import template
from harness.design.check import check
from harness.design.check_result import DesignFinding, Grade
from harness.files.device import Device
from harness.files.loading import parse_device


def device(text: str = "", /, **replaced: str) -> Device:
    """The demo device (or `text`) with the first of each `key = value` replaced."""
    text = text or template("device.toml")
    for key, value in replaced.items():
        lines = text.splitlines()
        at = next(i for i, line in enumerate(lines) if line.startswith(f"{key} = "))
        text = "\n".join([*lines[:at], *([f"{key} = {value}"] if value else []), *lines[at + 1 :]])
    return parse_device(text, "device.toml")


def edited(*changes: tuple[str, str]) -> Device:
    """The demo device with pieces of its text replaced."""
    text = template("device.toml")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return parse_device(text, "device.toml")


def found(of: Device, grade: Grade, word: str) -> list[DesignFinding]:
    return [f for f in check(of).findings if f.grade == grade and word in f.text]
