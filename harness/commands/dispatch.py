"""From parsed arguments to a command. Slow imports happen in the command that needs them, so that help is quick."""

from __future__ import annotations

import argparse
from typing import Any

from harness.core.output import as_typed, console


def _begin() -> None:
    """A line at once: what a rehearsal needs takes a moment to load, and longer on a slow machine."""
    print("rehearsal on a simulated bench; nothing is energised", flush=True)


def demo(arguments: argparse.Namespace) -> int:
    if arguments.list_faults:
        from simulated.bench_faults import CATALOGUE

        for fault in CATALOGUE:
            print(f"{fault.name:<36} {fault.summary}")
        return 0
    _begin()
    from harness.commands.demo import demo

    return demo(
        arguments.fault,
        arguments.out,
        arguments.procedure,
        console(),
        arguments.transcript,
        hold=arguments.hold,
        trials=arguments.monte_carlo,
        causes=arguments.causes,
    )


def new(arguments: argparse.Namespace) -> int:
    from harness.commands.new import BENCH, BENCH_BY_HAND, BENCH_POWER, new

    kind = BENCH_BY_HAND if arguments.by_hand else BENCH_POWER if arguments.power else BENCH
    written = new(arguments.folder, kind)
    for file in written:
        print(file)
    print(f"try them:  ratioproof rehearse {as_typed(written[0])} {as_typed(written[1])}")
    return 0


def design(arguments: argparse.Namespace) -> int:
    from harness.commands.design import design

    return design(arguments.device, arguments.smallest, arguments.json, console())


def _options(arguments: argparse.Namespace) -> Any:
    from harness.steps import Options

    return Options(readings=arguments.readings, per_decade=arguments.per_decade, hold=arguments.hold)


def rehearse(arguments: argparse.Namespace) -> int:
    _begin()
    from harness.commands.run import rehearse_only

    return rehearse_only(
        arguments.device, arguments.bench, arguments.procedure, _options(arguments), console(), arguments.causes
    )


def run(arguments: argparse.Namespace) -> int:
    _begin()
    from harness.commands.run import run

    return run(
        arguments.device,
        arguments.bench,
        arguments.procedure,
        _options(arguments),
        out=arguments.out,
        operator=arguments.operator,
        overrides=arguments.override,
        cautions_read=arguments.cautions_read,
        console=console(),
        transcript=arguments.transcript,
        trials=arguments.monte_carlo,
        causes=arguments.causes,
    )


def resume(arguments: argparse.Namespace) -> int:
    _begin()
    from harness.commands.run import resume

    return resume(
        arguments.record,
        operator=arguments.operator,
        overrides=arguments.override,
        cautions_read=arguments.cautions_read,
        console=console(),
        transcript=arguments.transcript,
        trials=arguments.monte_carlo,
    )


def certify(arguments: argparse.Namespace) -> int:
    from harness.commands.certify import certify

    return certify(
        arguments.record,
        arguments.out,
        console(),
        trials=arguments.monte_carlo,
        causes=arguments.causes,
        overrides=arguments.override,
        procedure=arguments.procedure,
    )


def replay(arguments: argparse.Namespace) -> int:
    from harness.commands.replay import replay

    return replay(arguments.folder, arguments.out, console())


def instruments(arguments: argparse.Namespace) -> int:
    from harness.commands.instruments import instruments

    return instruments(arguments.bench, console(), arguments.transcript)


def try_one(arguments: argparse.Namespace) -> int:
    from harness.commands.try_one import try_one

    return try_one(arguments.name, arguments.bench, console(), arguments.transcript)


def simulate(arguments: argparse.Namespace) -> int:
    from harness.commands.simulate import simulate

    device = arguments.device if arguments.device is not None else arguments.bench.parent / "device.toml"
    return simulate(device, arguments.bench, arguments.fault)
