"""Records changed at random, most with their hashes computed anew, given to `certify` through the command line in this process.

What is looked for: a traceback, the word "defect", an exit status that is none of 0, 1 and 2, more than 10 s. How many changes
are refused is counted too, but no measure: many change what no check can know, such as a name.

    python -m tests.benchmarks.mutated_records [COUNT]
"""

from __future__ import annotations

import contextlib
import copy
import hashlib
import io
import json
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.command_line import main
from harness.commands.new import BENCH, BENCH_BY_HAND, BENCH_POWER, new
from harness.preparation.run_files import load_inputs
from harness.record.journal import HASH_BEFORE_FIRST_LINE
from harness.steps import Options
from tests.on_twin import TwinRun

SECONDS_AT_MOST = 10.0
RUNS = (
    (BENCH, "turns_check"),
    (BENCH, "current_ratio"),
    (BENCH_POWER, "power_and_phase"),
    (BENCH_POWER, "no_load"),
    (BENCH_POWER, "smallest_current"),
    (BENCH_POWER, "bench_check"),
    (BENCH_BY_HAND, "current_ratio"),
)
ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 10**400, 0.5, -0.0, 1e308, -1e308, 1e-320, float("nan"), float("inf"), "", "x", "1e5", "\x00", "\ud800",
    "ä" * 5000, [], [[]], {}, {"value": 1}, "9.9e37", "up", "zero", "x1", "complete", "2026-01-01T00:00:00", "2026-01-01T00:00:00+00:00",
)  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """What became of one mutated record."""

    status: int
    seconds: float
    told: str
    change: str

    @property
    def wrong(self) -> bool:
        """Whether it ended as no input should end."""
        return (
            self.status not in (0, 1, 2)
            or "Traceback" in self.told
            or "defect" in self.told
            or self.seconds > SECONDS_AT_MOST
        )


def rehashed(lines: Sequence[dict[str, Any]], *, numbered: bool = False) -> bytes:
    """The lines with their hashes computed anew, as a careful forger would; with `numbered` their numbers too."""
    out, previous = b"", HASH_BEFORE_FIRST_LINE
    for number, line in enumerate(lines):
        body = {k: v for k, v in line.items() if k not in ("previous", "hash")} | {"previous": previous}
        if numbered:
            body["line"] = number
        text = json.dumps(body, ensure_ascii=False, separators=(",", ":"))[:-1].encode("utf-8", "surrogatepass")
        previous = hashlib.sha256(text).hexdigest()
        out += text + f',"hash":"{previous}"}}\n'.encode()
    return out


def good_records(runs: Sequence[tuple[str, str]] = RUNS) -> list[bytes]:
    """Records of complete runs on simulated benches."""
    records = []
    for bench, procedure in runs:
        with tempfile.TemporaryDirectory() as folder:
            twin = TwinRun(
                load_inputs(*new(Path(folder), bench), procedure, Options(readings=2, per_decade=1, hold=60))
            )
            twin.run()
            records.append(twin.content)
    return records


def mutated(good: bytes, chance: random.Random) -> tuple[bytes, str]:
    """`good` changed at one to three places, and what was done."""
    lines = [json.loads(line) for line in good.splitlines()]
    if chance.random() < 0.1:
        place = chance.randrange(len(good))
        return good[:place] + bytes([chance.randrange(256)]) + good[place + 1 :], "a byte"
    done = []
    for _ in range(chance.choice((1, 1, 2, 3))):
        change = chance.choice(CHANGES)
        # What an earlier change has left may be no line any more.
        with contextlib.suppress(KeyError, TypeError, IndexError, OverflowError):
            done.append(change(lines, chance))
    return rehashed(lines, numbered=chance.random() < 0.9), "; ".join(done)


def _places(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a line, as the keys that lead there."""
    if isinstance(value, dict):
        return [p for k, v in value.items() for p in [(*at, k), *_places(v, (*at, k))]]
    if isinstance(value, list):
        return [p for n, v in enumerate(value) for p in [(*at, n), *_places(v, (*at, n))]]
    return []


def _somewhere(lines: list[dict[str, Any]], chance: random.Random) -> tuple[Any, Any, str]:
    """What holds a place, the key in it, and its name."""
    number = (
        chance.choice([0, len(lines) - 1, *range(len(lines))])
        if chance.random() < 0.3
        else chance.randrange(len(lines))
    )
    place = chance.choice(_places(lines[number]))
    holder: Any = lines[number]
    for key in place[:-1]:
        holder = holder[key]
    return holder, place[-1], f"line {number + 1}, {'.'.join(map(str, place))}"


def _odd_value(lines: list[dict[str, Any]], chance: random.Random) -> str:
    holder, key, name = _somewhere(lines, chance)
    holder[key] = copy.deepcopy(chance.choice(ODD))
    return f"{name} = {holder[key]!r:.30}"


def _other_number(lines: list[dict[str, Any]], chance: random.Random) -> str:
    for _ in range(50):
        holder, key, name = _somewhere(lines, chance)
        if isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
            holder[key] *= chance.choice((0, -1, 0.9, 1.1, 2, 1e3, 1e-3))
            return f"{name} scaled"
    return "nothing"


def _raw_and_value(lines: list[dict[str, Any]], chance: random.Random) -> str:
    """As a forger who minds that they agree: both of them, in one or in all readings of a point."""
    readings = [line for line in lines if line["kind"] in ("reading", "approach")]
    chosen = chance.choice(readings)
    factor = chance.choice((0.0, -1.0, 0.99, 1.05, 1e-6, 1e3))
    for line in readings:
        if line is chosen or chance.random() < 0.3:
            for key in ("reference", "displayed"):
                reading = line[key]
                if chance.random() < 0.7 and isinstance(reading, dict) and "." in str(reading.get("raw")):
                    value = reading["value"] * factor if isinstance(reading["value"], float) else 1.0
                    reading["value"], reading["raw"] = float(f"{value:.9f}"), f"{value:.9f}"
    return f"readings times {factor:g}"


def _text_changed(lines: list[dict[str, Any]], chance: random.Random) -> str:
    """A digit of the device or the bench file, as the record keeps them."""
    key = chance.choice(("device_text", "bench_text"))
    text = str(lines[0].get(key, "")) or "0"
    digits = [n for n, c in enumerate(text) if c.isdigit()] or [0]
    place = chance.choice(digits)
    lines[0][key] = text[:place] + chance.choice("0123456789") + text[place + 1 :]
    return f"{key}, a digit"


def _taken_out(lines: list[dict[str, Any]], chance: random.Random) -> str:
    number = chance.randrange(len(lines))
    if len(lines) > 2:
        del lines[number]
    return f"line {number + 1} taken out"


def _doubled(lines: list[dict[str, Any]], chance: random.Random) -> str:
    number, place = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines.insert(place, copy.deepcopy(lines[number]))
    return f"line {number + 1} again at {place + 1}"


def _swapped(lines: list[dict[str, Any]], chance: random.Random) -> str:
    one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    return f"lines {one + 1} and {other + 1} swapped"


def _key_gone(lines: list[dict[str, Any]], chance: random.Random) -> str:
    holder, key, name = _somewhere(lines, chance)
    del holder[key]
    return f"{name} gone"


def _key_added(lines: list[dict[str, Any]], chance: random.Random) -> str:
    holder, _, name = _somewhere(lines, chance)
    if isinstance(holder, dict):
        holder["further"] = copy.deepcopy(chance.choice(ODD))
    return f"a key beside {name}"


def _cut(lines: list[dict[str, Any]], chance: random.Random) -> str:
    """The end taken away and the record closed, so that it looks complete."""
    end = lines[-1]
    keep = chance.randrange(1, len(lines))
    del lines[keep:]
    lines.append(end)
    return f"cut after line {keep} and closed"


CHANGES: tuple[Callable[[list[dict[str, Any]], random.Random], str], ...] = (
    _odd_value, _odd_value, _odd_value, _other_number, _other_number, _raw_and_value, _raw_and_value, _text_changed, _text_changed,
    _taken_out, _doubled, _swapped, _key_gone, _key_added, _cut,
)  # fmt: skip


def campaign(count: int, seed: int = 1, runs: Sequence[tuple[str, str]] = RUNS) -> list[Outcome]:
    """What became of so many mutated records."""
    chance, records, outcomes = random.Random(seed), good_records(runs), []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "record.jsonl"
        for number in range(count):
            data, change = mutated(records[number % len(records)], chance)
            file.write_bytes(data)
            outcomes.append(_certified(file, Path(folder) / "out", f"record {number % len(records)}: {change}"))
    return outcomes


def _certified(file: Path, out: Path, change: str) -> Outcome:
    told = io.StringIO()
    began = time.perf_counter()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
        try:
            status = main(["certify", str(file), "--out", str(out)])
        except BaseException as escaped:  # noqa: BLE001  that nothing escapes is what is looked for
            return Outcome(-1, time.perf_counter() - began, f"Traceback: {escaped!r}", change)
    return Outcome(status, time.perf_counter() - began, told.getvalue(), change)


def _report(outcomes: Sequence[Outcome]) -> None:
    for outcome in outcomes:
        if outcome.wrong:
            print(f"WRONG ({outcome.status}, {outcome.seconds:.1f} s) {outcome.change}\n    {outcome.told[-400:]}")
    count = Counter(outcome.status for outcome in outcomes)
    print(
        f"{len(outcomes)} records: {count[2]} refused, {count[0]} pass, {count[1]} fail, {sum(o.wrong for o in outcomes)} wrong"
    )
    print(f"slowest {max(o.seconds for o in outcomes):.2f} s")


if __name__ == "__main__":
    _report(campaign(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
