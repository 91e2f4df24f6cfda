"""What `ratioproof rehearse` prints of the points that would be taken."""

import contextlib
import datetime as dt
import io
import re
from pathlib import Path

import pytest
from rich.console import Console

from harness.command_line import main
from harness.commands.new import BENCH, BENCH_BY_HAND, BENCH_POWER, new
from harness.commands.rehearse import RehearseOptions, rehearse
from harness.core.errors import UserError
from harness.core.stop import StopSignal
from harness.preparation.rehearsal import rehearsal_of
from harness.preparation.run_files import load_inputs
from harness.steps import Options


def _told(folder: Path, bench: str, procedure: str, hold: float = 600.0) -> list[str]:
    """The lines of a rehearsal on a terminal of 80 columns, the table's heading first."""
    console = Console(file=io.StringIO(), width=80, force_terminal=True, color_system=None)
    options = RehearseOptions(*new(folder, bench), procedure, readings=2, per_decade=1, hold=hold)
    assert rehearse(options, console) == 0
    assert isinstance(console.file, io.StringIO)
    # The line that was shown meanwhile ends with the last line that was taken away.
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", console.file.getvalue().rpartition("\x1b[2K")[2]).splitlines()


def test_every_row_of_power_says_at_which_power_factor(tmp_path: Path) -> None:
    """IEC 62053-21 (value from memory) tests at 1, 0.5 inductive and 0.8 capacitive; each current and power factor is a row of its own."""
    heading, *rest = _told(tmp_path / "power", BENCH_POWER, "power_and_phase")
    rows = [line for line in rest if line.startswith(("x1 ", "x4 ", "x20 "))]
    at = heading.index("power factor")
    for step in ("single", "power"):
        told = [line[at:].split("  ")[0].rstrip() for line in rows if f" {step} " in line and line.startswith("x4 ")]
        assert told == ["1"] * 3 + ["0.5 lagging"] * 3 + ["0.8 leading"] * 3
    assert len({line[: at + len("power factor")] for line in rows}) == len(rows) == 2 * 3 * 9
    assert all(line.rstrip().endswith(tuple("0123456789")) for line in rows)


@pytest.mark.parametrize("procedure", ["current_ratio", "turns_check"])
def test_points_without_power_have_no_column_for_it(tmp_path: Path, procedure: str) -> None:
    heading, *_ = _told(tmp_path / "plain", BENCH, procedure)
    assert heading.split() == ["range", "step", "current", "U", "expected", "limit", "limit", "/", "U"]


def test_a_range_that_is_not_visited_has_no_maximum_test_current(tmp_path: Path) -> None:
    """The bench is checked by the current its standard is known at, on one range."""
    told = [line for line in _told(tmp_path / "check", BENCH_POWER, "bench_check") if line.startswith("  x")]
    assert [line.split()[-2:] for line in told[1:]] == [["not", "visited"]] * 2
    assert "maximum test current 80 A" in told[0]
    assert not any("maximum test current" in line for line in told[1:])


@pytest.mark.parametrize(("hold", "short"), [(60.0, True), (160.0, False)])
def test_a_wait_too_short_for_the_standard_is_told_before_it_is_waited(
    tmp_path: Path, hold: float, short: bool
) -> None:
    """IEC 62053-21:2003, 8.3.2 (value from memory): 480e6 / (10000/kWh x 230 V x 80 A) = 2.61 min in class 2."""
    told = " ".join(" ".join(_told(tmp_path / "rest", BENCH_POWER, "no_load", hold)).split())
    assert told.count("asks for 157 s at 115 % of the voltage") == (3 if short else 0)
    assert told.count("creep watched for 6") == (3 if short else 0)


def test_how_likely_a_sound_meter_is_not_passed_is_told_for_every_range(tmp_path: Path) -> None:
    told = " ".join(" ".join(_told(tmp_path / "plain", BENCH, "current_ratio")).split())
    assert told.count("probability that a sound meter does not pass here: ") == 3
    assert "probability that a sound meter does not pass the run: " in told
    assert "errors distributed as [ordinary] in the causes states, and within the claim at every point" in told
    assert "not protected in daily use, or left open by the device file" in told


def _changed(folder: Path, old: str, new: str) -> tuple[Path, Path]:
    device, bench = new_pair(folder)
    text = bench.read_text(encoding="utf-8")
    assert old in text
    bench.write_text(text.replace(old, new, 1), encoding="utf-8")
    return device, bench


def new_pair(folder: Path) -> tuple[Path, Path]:
    device, bench = new(folder, BENCH)
    return device, bench


@pytest.mark.parametrize("command", ["rehearse", "run"])
@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("TCPIP::127.0.0.1::15025::SOCKET", "TCPIP:127.0.0.1:15025", "instruments.source.address: found"),
        ("modbus-rtu:monitor-port", "modbus-tcp://monitor:port", "instruments.monitor.address: found"),
        ("127.0.0.1::15027::", "LocalHost::015026::", "where 'multimeter' is too (TCPIP::127.0.0.1::15026::SOCKET)"),
    ],
)
def test_malformed_addresses_are_told_before_anything_is_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, old: str, new: str, told: str
) -> None:
    files = [str(f) for f in _changed(tmp_path / "pair", old, new)]
    assert main([command, *files]) == 2
    assert told in capsys.readouterr().err


def _dated(folder: Path, date: dt.date, due: dt.date) -> list[str]:
    device, bench = new_pair(folder)
    text = bench.read_text(encoding="utf-8")
    dated = re.sub(r"date = [0-9-]+, due = [0-9-]+", f"date = {date}, due = {due}", text)
    assert dated != text
    bench.write_text(dated, encoding="utf-8")
    return [str(device), str(bench)]


@pytest.mark.parametrize("command", [["rehearse"], ["run", "--cautions-read", "--out", "run"]])
@pytest.mark.parametrize(
    ("date", "due", "told"), [(-500, -10, "was due on"), (10, 400, "which is yet to come")], ids=["overdue", "future"]
)
def test_dates_of_calibrations_are_told_before_anything_is_opened(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: list[str],
    date: int,
    due: int,
    told: str,
) -> None:
    """The bench's addresses lead nowhere here: a run that opened one would say so."""
    monkeypatch.chdir(tmp_path)
    today = dt.datetime.now(dt.UTC).date()
    files = _dated(tmp_path / "pair", today + dt.timedelta(days=date), today + dt.timedelta(days=due))
    quick = ["--procedure", "turns_check", "--readings", "1"]
    assert main([command[0], *files, *quick, *command[1:]]) == 2
    printed = capsys.readouterr().err
    assert told in printed
    assert "--override due:multimeter" in printed
    assert "--override due:reference_path" in printed
    assert "15025" not in printed


def test_a_folder_that_holds_a_record_is_told_before_the_rehearsal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [str(f) for f in new_pair(tmp_path / "pair")]
    (tmp_path / "record.jsonl").write_text("", encoding="utf-8")
    assert main(["run", *files, "--cautions-read", "--out", str(tmp_path)]) == 2
    printed = capsys.readouterr()
    assert "exists already; a record is never overwritten" in printed.err
    assert "rehearsed" not in printed.out
    assert "CAUTIONS" not in printed.out


def test_a_claim_that_hardly_any_meter_meets_is_said_to_be_one(tmp_path: Path) -> None:
    """The catalogue's ordinary gain scatters by 0.3 %: a claim of 0.28 % is met by some of them, one of 0.01 % by none."""
    told = {}
    for claim in ("0.28 %", "0.01 %"):
        device, bench = new(tmp_path / claim.replace(" ", ""), BENCH)
        text = device.read_text(encoding="utf-8").replace('of_reading = "1 %"\ncounts = 2', f'of_reading = "{claim}"')
        device.write_text(text, encoding="utf-8")
        console = Console(file=io.StringIO(), width=80)
        with contextlib.suppress(UserError):
            rehearse(RehearseOptions(device, bench, "turns_check", readings=2), console)
        assert isinstance(console.file, io.StringIO)
        told[claim] = console.file.getvalue()
    assert "% of ordinary meters meet this claim at every point" in told["0.28 %"]
    assert "probability that a sound meter does not pass the run:" in told["0.28 %"]
    assert "the probability that a sound meter passes is not known: below 0.1 % of ordinary meters" in told["0.01 %"]
    assert "with a probability of" not in told["0.01 %"]


def test_an_override_of_no_problem_is_refused_before_the_cautions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody confirms anything for a run that cannot begin; nothing has been opened either."""
    device, bench = new(tmp_path)
    asked = ["run", str(device), str(bench), "--procedure", "turns_check", "--cautions-read", "--operator", "test"]
    needless = ["due:multimeter", "serial:nobody", "replayed:multimeter", "rehearsal"]
    given = [word for name in needless for word in ("--override", name)]
    assert main([*asked, "--out", str(tmp_path / "out"), *given]) == 2
    output = capsys.readouterr()
    assert "CAUTIONS" not in output.out
    for name in needless:
        assert f"--override {name}: there is no such problem to override" in output.err


def test_a_range_of_which_nothing_would_be_verified_is_in_the_way(tmp_path: Path) -> None:
    """A fuse in the whole path that protects x20 leaves x1, which claims from 800 mA, not even a point that could be left out."""
    device, bench = new(tmp_path, BENCH)
    text = device.read_text(encoding="utf-8")
    device.write_text(text.replace('# fuse = "100 A"', 'fuse = "0.7 A"', 1), encoding="utf-8")
    problems = rehearsal_of(load_inputs(device, bench, "current_ratio", Options(readings=1)), StopSignal()).problems
    (problem,) = [text for text in problems if text.startswith("x1: no ")]
    assert problem.startswith(
        "x1: no current is within its claim (from 800 mA) and its maximum test current (700 mA, limited by fuse): nothing of it would be verified"
    )
    assert "(the display shows 20 mA and more)" in problem
    assert "belongs into the table of that range" in problem


def test_a_meter_of_which_nothing_would_be_verified_is_no_run_without_objection(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One range, claimed from above every load of the shelf; without currents there is nothing to verify it by, but to watch it at no load."""
    device, bench = new(tmp_path, BENCH_BY_HAND)
    text = device.read_text(encoding="utf-8").replace('minimum_current = "0.8 A"', 'minimum_current = "8.9 A"')
    second = text.index("[[ranges]]", text.index("[[ranges]]") + 1)
    device.write_text(text[:second], encoding="utf-8")
    (problem,) = rehearsal_of(load_inputs(device, bench, "current_ratio", Options(readings=1)), StopSignal()).problems
    assert problem.startswith(
        "x1: no load of the shelf is within its claim (from 8.9 A) and its maximum test current (9.091 A, limited by"
    )
    assert problem.endswith("Put a load between the two on the shelf")
    assert main(["rehearse", str(device), str(bench)]) == 2
    assert "to run anyway: --override rehearsal" in capsys.readouterr().err
    watched = load_inputs(device, bench, "no_load", Options(readings=1))
    assert rehearsal_of(watched, StopSignal()).problems == ()


def test_an_honest_supply_stands_in_the_way_no_more_than_none(tmp_path: Path) -> None:
    """Nothing stated keeps 13 A from the 40 mA input at twenty turns; the run limits its own current all the same."""
    device, bench = new(tmp_path, BENCH)
    honest = device.read_text(encoding="utf-8").replace('# supply_socket = "63 A"', 'supply_socket = "100 A"', 1)
    device.write_text(honest, encoding="utf-8")
    told = rehearsal_of(load_inputs(device, bench, "turns_check", Options(readings=1)), StopSignal())
    assert told.problems == ()
    assert "unprotected-input" in {reason.code for reason in told.results.open_on_paper}


@pytest.mark.parametrize(("claim", "warned"), [("1 %", False), ("0.3 %", True)])
def test_a_run_that_sound_meters_mostly_fail_says_so_at_its_end(
    tmp_path: Path, claim: str, warned: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    device, bench = new(tmp_path, BENCH)
    text = device.read_text(encoding="utf-8")
    device.write_text(text.replace('of_reading = "1 %"', f'of_reading = "{claim}"', 1), encoding="utf-8")
    assert main(["rehearse", str(device), str(bench)]) == 0
    *_, before, last = capsys.readouterr().out.splitlines()
    assert last == "nothing is in the way of this run"
    assert before.startswith("this run would not pass a sound meter with a probability of 9") == warned
