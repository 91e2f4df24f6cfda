"""Device, bench, profile and cause files with something wrong in them, through the command line in this process.

Every file is mutated in one of two ways: as TOML (a value, key or table replaced, scaled, removed, moved or doubled) or as
bytes. Whatever comes of it, a command ends with a status of 0, 1 or 2, without a traceback or the word defect, within ten
seconds, and tells in lines of bounded number and length what is wrong. Four in ten of what can be rehearsed are run on the
simulated bench too, and certified.

`python tests/benchmarks/mutated_files.py [FILES [SEED]]` does it with FILES of them (2000), a quarter of each kind.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import random
import re
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from harness.command_line import main  # noqa: E402
from harness.commands.new import BENCH, BENCH_BY_HAND, BENCH_POWER, device_template, template  # noqa: E402
from harness.preparation.run_files import load_inputs  # noqa: E402
from harness.steps import Options  # noqa: E402
from instruments.profile import SHIPPED, load_profile  # noqa: E402
from tests.on_twin import TwinRun  # noqa: E402

SECONDS_AT_MOST = 10.0
"""Seconds of processor time any command may take; nothing waits for anything else, since all runs are in virtual time."""
HANGS = 120.0
"""Seconds after which a command is stopped."""
MOST_LINES, LONGEST_LINE = 120, 2000
KINDS = ("device", "bench", "profile", "causes")
CAUSES = """without = ["drifted-gain"]
[ordinary]
gain = { deviation = "0.3 %" }
offset = { deviation = 0.5 }
[[causes]]
name = "filter-across-input"
text = "a filter across the winding of range {range} takes part of its current"
look = "look for a capacitor at the switch contacts of {range}"
each_range = true
readings.gain = { mean = "-8 %", deviation = "3 %" }
[[causes]]
name = "two-turns-fewer"
text = "range {range} has {turns} turns instead of {expected}"
each_range = true
section_turns = -2
weight = 0.5
"""
FREE_TEXTS = (
    *(
        "maker",
        "type",
        "serial",
        "owner",
        "modified_by",
        "modification",
        "cross_section",
        "name",
        "laboratory",
        "address",
    ),
    *("statement", "certificate", "title", "text", "look"),
)
"""Keys whose values go through as they are, into the record, the terminal and the certificate."""
# fmt: off
VALUES: tuple[object, ...] = (
    *(0, -1, 1, 2, 3, 7, 40, 10**6, 2**62, -(2**63), 2**63, 0.0, -0.0, 0.1, 1e-320, 1e-12, 1e308, float("inf"), float("nan")),
    *(True, False, "", " ", "x1", "x4", "x20", "person", "source", "multimeter", "scpi_load", "modbus_meter", "read"),
    *("0 A", "1 A", "-1 A", "1 nA", "1 kA", "99 kA", "1e-300 A", "1e400 A", "nan A", "1 uV", "900 kV", "1 uohm", "9 kohm"),
    *("0 %", "0.001 %", "20 %", "21 %", "100 %", "-5 %", "1", "0,5 %", "1 %/K", "0.1 ms", "1 h", "59 s", "10 Hz", "1 kHz"),
    *("89 deg", "-89 deg", "0 deg", "70 degC", "-40 degC", "1 9**9**9*A", "1 A/A/A", "1 A^3", "1 m", "1 mm^2", "1 MS"),
    *("a" * 5000, "é" * 300, "\x1b[31m", "\x00", "\u202e", "a\nb", "[bold]", ":smile:", "{value}", "{", "{0.__class__}", "%s"),
    *("../..", "/dev/null", "TCPIP::127.0.0.1::1::SOCKET", "modbus-rtu:/dev/null", "transcript:x", "modbus-tcp://[::1:x", "?"),
    *([], [[]], {}, {"a": {"b": {"c": {}}}}, [1, "2", 3.0], ["?"] * 300, dt.date(2027, 2, 28), dt.time(1, 2), ["", "?"]),
)
TOKENS = (b"[", b"]", b"{", b"}", b'"', b"'", b'"""', b"=", b",", b".", b"\n", b"\r", b"\x00", b"\xff", b"#", b"-", b"9" * 400, b"e9")
# fmt: on
_QUANTITY = re.compile(r"([+-]?[0-9.]+(?:e[+-]?\d+)?)(\s*\S*)")


@dataclass
class Outcome:
    """What came of a campaign; `wrong` is what must not be, with the seed that shows it."""

    runs: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    longest: float = 0.0
    wrong: list[str] = field(default_factory=list)


class TooLong(BaseException):
    """A command was still at work long after it should have ended."""


def campaign(number: int, first_seed: int = 0, show: Callable[[str], None] = lambda _: None) -> Outcome:
    """`number` mutated files, a quarter of each kind, by seeds from `first_seed` on."""
    outcome = Outcome()
    for seed in range(first_seed, first_seed + number):
        with tempfile.TemporaryDirectory() as folder:
            status, told, seconds = one(seed, Path(folder))
        outcome.runs += 1
        outcome.statuses[status] += 1
        outcome.longest = max(outcome.longest, seconds)
        if complaint := _complaint(status, told, seconds):
            outcome.wrong.append(f"seed {seed}: {complaint}")
            show(outcome.wrong[-1])
        if outcome.runs % 200 == 0:
            show(f"{outcome.runs} of {number}")
    return outcome


def one(seed: int, folder: Path) -> tuple[int, str, float]:
    """Exit status, what was printed on standard error (and a traceback, if one came) and seconds of one mutated file."""
    draw = random.Random(seed)
    arguments = _write(draw, KINDS[seed % len(KINDS)], folder)
    to_the_end = arguments[0] == "rehearse" and draw.random() < 0.4
    load_profile.cache_clear()
    errors = io.StringIO()
    began = time.process_time()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(errors):
        try:
            with _bounded():
                status = main(arguments)
                if status == 0 and to_the_end:
                    status = _certified(arguments, folder)
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else -1
        except BaseException as failure:  # noqa: BLE001  nothing at all may come through
            status = -1
            errors.write(f"Traceback: {type(failure).__name__}: {failure}")
    return status, errors.getvalue(), time.process_time() - began


def _certified(arguments: list[str], folder: Path) -> int:
    """A run of what has been rehearsed, on the simulated bench in virtual time, and the status of its certificate."""
    causes = folder / "causes.toml" if "--causes" in arguments else None
    inputs = load_inputs(*map(Path, arguments[1:3]), arguments[4], Options(readings=2, per_decade=1, hold=5.0), causes)
    run = TwinRun(inputs)
    run.run()
    (folder / "record.jsonl").write_bytes(run.content)
    return main(["certify", str(folder / "record.jsonl")])


def _complaint(status: int, told: str, seconds: float) -> str:
    lines = told.splitlines()
    if status not in (0, 1, 2) or "Traceback" in told or "defect" in told:
        return f"status {status}: {told[:400]}"
    if seconds > SECONDS_AT_MOST:
        return f"{seconds:.1f} s"
    if status == 2 and (not lines or not all(line.startswith("ratioproof: ") for line in lines)):
        return f"status 2 and not told in lines: {told[:400]!r}"
    if len(lines) > MOST_LINES or max(map(len, lines), default=0) > LONGEST_LINE:
        return f"{len(lines)} lines, the longest of {max(map(len, lines))} characters: {told[:200]}"
    return ""


def _write(draw: random.Random, kind: str, folder: Path) -> list[str]:
    """The files of a bench with one of `kind` mutated, and the command that reads them."""
    bench = draw.choice((BENCH, BENCH_POWER) if kind == "profile" else (BENCH, BENCH, BENCH_BY_HAND, BENCH_POWER))
    texts = {"device.toml": device_template(bench), "bench.toml": template(bench), "causes.toml": CAUSES}
    target = {"device": "device.toml", "bench": "bench.toml", "causes": "causes.toml"}.get(kind, "")
    if kind == "profile":
        used = sorted(set(re.findall(r'^profile = "(\w+)"', texts["bench.toml"], re.MULTILINE)) - {"person"})
        target = f"{draw.choice(used)}.toml"
        texts[target] = (SHIPPED / target).read_text(encoding="utf-8")
    for name, text in texts.items():
        (folder / name).write_bytes(_mutated(draw, text) if name == target else text.encode())
    if kind == "device" and draw.random() < 0.5:
        return ["design", str(folder / "device.toml"), *draw.choice(([], ["--json"], ["--smallest", "5 mA"]))]
    procedures = ["turns_check", "no_load", "current_ratio"] + (["power_and_phase"] if bench == BENCH_POWER else [])
    options = ["--procedure", draw.choice(procedures), "--readings", "2", "--per-decade", "1", "--hold", "5"]
    causes = ["--causes", str(folder / "causes.toml")] if kind == "causes" else []
    return ["rehearse", str(folder / "device.toml"), str(folder / "bench.toml"), *options, *causes]


def _mutated(draw: random.Random, text: str) -> bytes:
    times = draw.choice((1, 1, 1, 2, 5))
    if draw.random() < 0.3:
        content = text.encode()
        for _ in range(times):
            content = _bytes(draw, content)
        return content
    data = tomllib.loads(text)
    try:
        for _ in range(times):
            _change(draw, data)
        return _toml(data).encode("utf-8", "surrogatepass")
    except RecursionError:
        return f"{text}\ndeep = {'[' * 2000}{']' * 2000}\n".encode()


def _bytes(draw: random.Random, content: bytes) -> bytes:
    at = draw.randrange(len(content) + 1)
    until = min(len(content), at + draw.choice((1, 1, 5, 80, 1000)))
    match draw.choice(("drop", "double", "token", "noise", "cut", "lines")):
        case "drop":
            return content[:at] + content[until:]
        case "double":
            return content[:until] + content[at:]
        case "token":
            return content[:at] + draw.choice(TOKENS) + content[at:]
        case "noise":
            return content[:at] + draw.randbytes(until - at) + content[until:]
        case "cut":
            return content[:at]
    lines = content.split(b"\n")
    draw.shuffle(lines)
    return b"\n".join(lines)


def _change(draw: random.Random, data: dict[str, Any]) -> None:
    """Change one place somewhere in `data`."""
    places = [
        (holder, key)
        for holder in _holders(data)
        for key in (holder if isinstance(holder, dict) else range(len(holder)))
    ]
    if not places:
        return
    holder, key = draw.choice(places)
    other_holder, other_key = draw.choice(places)
    free = [(h, k) for h, k in places if k in FREE_TEXTS]
    match draw.choice(
        ("value", "value", "scale", "scale", "scale", "text", "text", "drop", "rename", "swap", "many", "nest")
    ):
        case "text" if free:
            holder, key = draw.choice(free)
            holder[key] = draw.choice([v for v in VALUES if isinstance(v, str)])
        case "value":
            holder[key] = draw.choice(VALUES)
        case "scale":
            holder[key] = _scaled(draw, holder[key])
        case "drop":
            del holder[key]
        case "rename" if isinstance(holder, dict):
            holder[draw.choice(("", "x y", "é", "a\nb", f"{key}s", str(other_key), "a" * 200))] = holder.pop(key)
        case "swap":
            holder[key] = other_holder[other_key] if not _inside(holder, other_holder[other_key]) else 1
        case "many" if isinstance(holder, list):
            holder *= draw.choice((2, 30, 300))
        case "nest":
            for _ in range(draw.choice((1, 5, 40, 300))):
                holder[key] = [holder[key]]


def _scaled(draw: random.Random, value: object) -> object:
    """A number or a quantity a few, or many, times as large or small; anything else as it is."""
    factor = draw.choice((-1.0, 0.0, 1e-9, 1e-3, 0.1, 0.5, 2.0, 10.0, 1e3, 1e9))
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return type(value)(value * factor)
    if isinstance(value, str) and (match := _QUANTITY.fullmatch(value)):
        return f"{float(match[1]) * factor:g}{match[2]}"
    return value


def _holders(value: object) -> Iterator[Any]:
    if isinstance(value, dict | list):
        yield value
        for inner in value.values() if isinstance(value, dict) else value:
            yield from _holders(inner)


def _inside(holder: object, value: object) -> bool:
    """Whether `holder` is `value` or a part of it: put into itself it would have no end."""
    return any(part is holder for part in _holders(value))


def _toml(data: dict[str, Any]) -> str:
    """`data` as TOML, tables inline below the first."""
    plain = [f"{_key(k)} = {_value(v)}" for k, v in data.items() if not isinstance(v, dict)]
    tables = [
        "\n".join([f"[{_key(k)}]", *(f"{_key(inner)} = {_value(v)}" for inner, v in table.items())])
        for k, table in data.items()
        if isinstance(table, dict)
    ]
    return "\n".join([*plain, *tables, ""])


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _value(key)


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in value) + '"'
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    return repr(value)


@contextlib.contextmanager
def _bounded() -> Iterator[None]:
    """Raise TooLong where the system has a timer for it; elsewhere what hangs, hangs."""
    if not hasattr(signal, "SIGALRM"):
        yield
        return

    def ring(_: int, __: FrameType | None) -> None:
        raise TooLong(f"still at work after {HANGS:g} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, HANGS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    found = campaign(*(numbers or [2000]), show=lambda line: print(line, flush=True))
    print(f"{found.runs} files, statuses {dict(sorted(found.statuses.items()))}, longest {found.longest:.1f} s")
    print(f"{len(found.wrong)} wrong")
    sys.exit(1 if found.wrong else 0)
