"""`ratioproof simulate`: the simulated bench on its own, for another program to talk to."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.commands.arguments import STATUS_WITHOUT_VERDICT, add_command, add_repeated


@dataclass(frozen=True)
class SimulateOptions:
    """Which bench; the device file is the one beside it unless given, and `faults` take the place of those in the bench file."""

    bench: Path
    device: Path | None = None
    faults: tuple[str, ...] = ()


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "simulate",
        "serve the simulated bench for another program to talk to",
        (SimulateOptions, simulate),
        ["ratioproof simulate bench.toml", "ratioproof simulate bench.toml --fault late-reply"],
        STATUS_WITHOUT_VERDICT,
    )
    parser.add_argument("bench", type=Path, metavar="BENCH", help="bench file whose addresses are served")
    parser.add_argument(
        "--device", type=Path, metavar="DEVICE", help="device file (default: device.toml in the bench file's folder)"
    )
    add_repeated(parser, "--fault", "NAME", "a fault instead of those in the bench file; may be repeated")


def simulate(options: SimulateOptions) -> int:
    """Serve the bench at its own addresses until told to quit or stopped. Raises UserError."""
    from harness.commands.bench_prompt import BenchPrompt, attend
    from harness.core.clock import RealClock
    from harness.core.errors import UserError
    from harness.core.output import wrapped
    from harness.core.stop import StopSignal
    from harness.preparation.run_files import load_inputs
    from harness.preparation.twin import describe
    from harness.steps import Options
    from simulated.serve import SimulationError, serve
    from simulated.simulated_bench import SimulatedBench

    inputs = load_inputs(
        options.device or options.bench.parent / "device.toml", options.bench, "turns_check", Options()
    )
    wanted = options.faults or inputs.bench.simulation.faults
    described = describe(inputs.device, inputs.bench, options.bench, inputs.folders, wanted)
    simulated = SimulatedBench(described, RealClock())
    stop = StopSignal()
    try:
        with stop.listening(), serve(simulated) as addresses:
            for name, address in addresses.items():
                print(f"{name} at {address}")
            prompt = BenchPrompt(simulated, inputs)
            print(wrapped(f"faults: {', '.join(wanted) or 'none'}; {prompt.told}"), flush=True)
            attend(prompt, stop)
    except SimulationError as failure:
        raise UserError(f"{options.bench}: {failure}") from failure
    return 0
