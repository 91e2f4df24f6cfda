"""`ratioproof new`: a commented pair of files to start from."""

from __future__ import annotations

import datetime as dt
from importlib.resources import files
from pathlib import Path

from harness.errors import UserError

DEVICE, BENCH = "device.toml", "bench.toml"
BENCH_BY_HAND, BENCH_POWER = "bench_by_hand.toml", "bench_power.toml"


def template(name: str) -> str:
    """The text of a template, with calibration dates around today so that it is valid when it is written."""
    today = dt.datetime.now(dt.UTC).date()
    text = (files("harness") / "templates" / name).read_text(encoding="utf-8")
    calibrated, due = today - dt.timedelta(days=120), today + dt.timedelta(days=245)
    return text.replace("@CALIBRATED@", calibrated.isoformat()).replace("@DUE@", due.isoformat())


def new(folder: Path, *, by_hand: bool = False, power: bool = False) -> list[Path]:
    """Write device.toml and bench.toml into `folder`; `by_hand` for a bench without interfaces, `power` for one that reads power.

    Raises UserError rather than overwrite either.
    """
    bench = BENCH_BY_HAND if by_hand else BENCH_POWER if power else BENCH
    targets = [folder / DEVICE, folder / BENCH]
    existing = [f"{t}: exists already, nothing was written" for t in targets if t.exists()]
    if existing:
        raise UserError(existing)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for target in targets:
            target.write_text(template(bench if target.name == BENCH else target.name), encoding="utf-8")
    except OSError as failure:
        raise UserError(f"{folder}: {failure.strerror}") from None
    return targets
