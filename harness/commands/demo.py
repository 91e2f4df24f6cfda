"""`ratioproof demo`: a complete verification on a simulated bench over loopback transports."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.commands.arguments import (
    add_causes,
    add_command,
    add_out,
    add_procedure,
    add_repeated,
    add_transcript,
    add_trials,
)
from harness.commands.demo_loads import FAULTS, LOADS, PROCEDURE
from harness.commands.rehearse import begin
from harness.core.output import STANDARD_OUTPUT, console, tell


@dataclass(frozen=True)
class DemoOptions:
    """What is run on the simulated bench, with which faults, and where it is left (None: in a new folder named by the time)."""

    faults: tuple[str, ...]
    list_faults: bool
    load: str | None
    out: Path | None
    procedure: str | None
    hold: float
    trials: int
    causes: Path | None
    transcript: Path | None


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "demo",
        "a complete verification on a simulated bench",
        (DemoOptions, demo),
        [
            "ratioproof demo",
            "ratioproof demo --fault section-reversed --out reversed",
            "ratioproof demo --fault turn-missing:x20 --procedure turns_check",
            "ratioproof demo --load dropper",
        ],
    )
    add_repeated(parser, "--fault", "NAME", "fault to simulate, NAME or NAME:RANGE; may be repeated")
    parser.add_argument("--list-faults", action="store_true", help="list the faults and exit")
    parser.add_argument(
        "--load",
        choices=tuple(LOADS),
        help="a shelf with this load and a heater, by waveform_influence; without --fault the meter responds to the mean",
    )
    add_out(parser, "files, record, results and certificate (default: a new one named by the time)")
    add_procedure(parser, None)
    add_trials(parser)
    add_causes(parser)
    add_transcript(parser)


def demo(options: DemoOptions) -> int:
    """Run a procedure on a fresh simulated bench; 0 when the verdict is pass or conditional pass, 1 otherwise."""
    if options.list_faults:
        from simulated.bench_faults import CATALOGUE

        tell(STANDARD_OUTPUT, (f"{fault.name:<36} {fault.summary}" for fault in CATALOGUE))
        return 0
    begin()
    import datetime as dt

    from harness.commands.attendance import Attendance
    from harness.commands.demo_bench import Plugging, served, what_it_is, what_it_knows, write_files
    from harness.commands.finished_run import conclude, of_finished_run, show_verdict
    from harness.commands.recorded_run import run_from_beginning
    from harness.commands.rehearsal_sheet import rehearsed
    from harness.core.progress import TerminalProgress
    from harness.core.stop import StopSignal
    from harness.preparation.run_files import load_inputs
    from harness.record.journal import RECORD
    from harness.replay.run_environment import at_the_bench
    from harness.steps import Options
    from instruments.operator.person import ScriptedPerson

    screen, folder = console(), options.out or Path(f"ratioproof-demo-{dt.datetime.now():%Y%m%d-%H%M%S}")
    load = LOADS[options.load] if options.load else None
    procedure = options.procedure or (PROCEDURE if load else "current_ratio")
    faults = options.faults or (FAULTS if load else ())
    inputs = load_inputs(
        *write_files(folder, faults, procedure, load), procedure, Options(hold=options.hold), options.causes
    )
    stop = StopSignal()
    with stop.listening():
        rehearsal = rehearsed(inputs, stop, screen)
    tell(screen, what_it_is(inputs, rehearsal))
    with (
        stop.listening(),
        served(inputs, faults) as simulated,
        TerminalProgress(screen, list(rehearsal.durations)) as progress,
    ):
        person = ScriptedPerson(displays={"meter": lambda: simulated.shown().current}, default="go on")
        attendance = Attendance("nobody (demo)", (), person, progress, stop, transcript=options.transcript)
        around = at_the_bench(inputs, person, stop.activity)
        around = replace(around, links=Plugging(around.links, simulated))
        run_from_beginning(inputs, attendance, folder / RECORD, around)
    with stop.listening(), of_finished_run(stop, folder / RECORD, options.trials, inputs.asked):
        results = conclude(folder / RECORD, folder, trials=options.trials, procedure=inputs.procedure)
    tell(screen, [what_it_knows(inputs, simulated)])
    return show_verdict(results, folder, screen)
