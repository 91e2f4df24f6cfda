"""A whole run on a simulated bench in this process, in virtual time: what many tests begin with."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO

from harness.audit.forged_lines import check_lines, check_points
from harness.core.clock import Clock
from harness.core.progress import Progress
from harness.core.stop import StopSignal
from harness.evaluation.run_evaluation import evaluate
from harness.files.loading import parse_bench
from harness.preparation.rehearsal import start_fields
from harness.preparation.run_files import RunInputs
from harness.preparation.twin import TwinLinks, describe, displays
from harness.record.journal import Record, RecordWriter, parse_record
from harness.results import Results
from harness.run.run_context import RunContext
from harness.run.runner import Runner
from harness.safety.execution import execute
from harness.station.identification import identity_problems
from harness.station.station import assemble, open_all
from harness.station.wires import LinkSource
from instruments.operator.person import Person, ScriptedPerson
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench


@dataclass
class TwinRun:
    """A run of `inputs` on a bench with `faults`; links, person and stop may be replaced before `run`.

    `stream`: where the record goes. `share_of_claim`: how much of their claims its instruments use up, where it is not the usual part.
    """

    inputs: RunInputs
    faults: Sequence[str] = ()
    links: LinkSource | None = None
    person: Person | None = None
    stop: StopSignal = field(default_factory=StopSignal)
    progress: Progress = field(default_factory=Progress)
    share_of_claim: float | None = None
    stream: IO[bytes] = field(default_factory=io.BytesIO)

    def __post_init__(self) -> None:
        inputs = self.inputs
        clock = VirtualClock()
        self.clock: Clock = clock
        description = describe(inputs.device, inputs.bench, Path(inputs.bench_file), inputs.folders, self.faults)
        if self.share_of_claim is not None:
            description = replace(description, share_of_claim=self.share_of_claim)
        self.bench = SimulatedBench(description, clock)
        self.time_zero = 0.0
        self._evaluated: tuple[bytes, Results] | None = None

    def run(self) -> None:
        """From safe to safe, as a real run; raises what the runner raises."""
        inputs = self.inputs
        station = assemble(
            inputs.device,
            inputs.bench,
            person=self.person or ScriptedPerson(displays=displays(self.bench), default="go on", wait=self.clock.sleep),
            clock=self.clock,
            links=self.links or TwinLinks(self.bench),
            folders=inputs.folders,
        )
        writer = RecordWriter(self.stream, self.clock, sync=False)
        self.time_zero = writer.time_zero
        identities = open_all(station)
        # The virtual day is before the calibrations of files made today.
        problems = identity_problems(inputs.bench, identities, self.clock.wall().date())
        accepted = [{"name": name, "problem": problem} for name, problem in problems.items()]
        said = {"cautions": "confirmed", "overrides": accepted}
        writer.write("start", **start_fields(inputs, "test", "test") | said)
        for name, identity in identities.items():
            writer.write("identity", instrument=name, identity=identity.text, serial=identity.serial)
        context = RunContext(
            inputs.device, inputs.bench, station, identities, writer, self.clock, self.stop, self.progress
        )
        try:
            execute(Runner(context), inputs.procedure, inputs.options)
        finally:
            station.close()

    @property
    def content(self) -> bytes:
        """The bytes written so far."""
        self.stream.seek(0)
        return self.stream.read()

    @property
    def record(self) -> Record:
        """What was written so far."""
        return parse_record(self.content, "test")

    def results(self) -> Results:
        """The evaluation of the finished run, whose record must be one that every check takes; made once of one and the same record."""
        if self._evaluated is None or self._evaluated[0] != self.content:
            self._evaluated = self.content, self._checked_and_evaluated()
        return self._evaluated[1]

    def _checked_and_evaluated(self) -> Results:
        if parse_bench(self.inputs.bench_text, "bench.toml") == self.inputs.bench:
            # A test may have put another bench beside the text that the record keeps.
            check_points(self.record, "test", self.inputs.procedure, check_lines(self.record, "test"))
        return evaluate(self.record, "test")
