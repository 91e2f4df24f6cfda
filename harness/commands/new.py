"""`ratioproof new`: a commented pair of files to start from."""

from __future__ import annotations

import datetime as dt
from importlib.resources import files
from pathlib import Path

from harness.core.errors import UserError

DEVICE, BENCH = "device.toml", "bench.toml"
BENCH_BY_HAND, BENCH_POWER = "bench_by_hand.toml", "bench_power.toml"


def template(name: str) -> str:
    """The text of a template, with calibration dates around today so that it is valid when it is written."""
    today = dt.datetime.now(dt.UTC).date()
    text = (files("harness") / "templates" / name).read_text(encoding="utf-8")
    calibrated, due = today - dt.timedelta(days=120), today + dt.timedelta(days=245)
    return text.replace("@CALIBRATED@", calibrated.isoformat()).replace("@DUE@", due.isoformat())


def device_template(kind: str) -> str:
    """The text of the device template for a bench of this kind: on one that reads power it claims power and phase too."""
    text = template(DEVICE)
    if kind != BENCH_POWER:
        return text
    for key in ("phase_displacement", "power_of_reading", "power_counts"):
        text = text.replace(f"# {key} =", f"{key} =")
    return text


def new(folder: Path, kind: str = BENCH) -> list[Path]:
    """Write device.toml and bench.toml into `folder`; `kind` is the template of the bench.

    Raises UserError rather than overwrite either.
    """
    targets = [folder / DEVICE, folder / BENCH]
    existing = [f"{t}: exists already, nothing was written" for t in targets if t.exists()]
    if existing:
        raise UserError(existing)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for target in targets:
            text = template(kind) if target.name == BENCH else device_template(kind)
            target.write_text(text, encoding="utf-8", newline="\n")
    except OSError as failure:
        raise UserError(f"{folder}: {failure.strerror}") from None
    return targets
