"""`ratioproof replay`: a kept run once more, from its transcripts alone."""

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.commands.arguments import add_command, add_out


@dataclass(frozen=True)
class ReplayOptions:
    """The folder that `--transcript` wrote, and where record, results and certificate are left, if anywhere."""

    folder: Path
    out: Path | None = None


def add_parser(commands: Any) -> None:
    parser = add_command(
        commands,
        "replay",
        "repeat a run from its transcripts, without instruments or waiting",
        (ReplayOptions, replay),
        ["ratioproof replay transcript", "ratioproof replay transcript --out again"],
    )
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder that --transcript wrote")
    add_out(parser, "record, results and certificate (default: none are kept)")


def replay(options: ReplayOptions) -> int:
    """Run again what was kept. 0 or 1 as the verdict, 3 when the run was aborted. Raises UserError where anything differs."""
    from tempfile import TemporaryDirectory

    from harness.commands.finished_run import checked, conclude, prepare_folder, show_verdict
    from harness.commands.recorded_run import refuse_to_overwrite
    from harness.commands.replayed_run import again, compare
    from harness.core.errors import NotSafe, UserError
    from harness.core.output import STANDARD_OUTPUT, tell
    from harness.evaluation.run_evaluation import evaluate
    from harness.record.journal import RECORD, read_record
    from harness.replay.kept_run import kept
    from instruments.links.transcript import TranscriptError

    asked, inputs = kept(options.folder)
    then, console = options.folder / RECORD, STANDARD_OUTPUT
    with ExitStack() as stack:
        where = options.out or Path(stack.enter_context(TemporaryDirectory()))
        prepare_folder(where)
        refuse_to_overwrite(where / RECORD, "choose another --out")
        try:
            ended = again(asked, inputs, options.folder, where)
        except TranscriptError as failure:
            raise UserError(str(failure)) from failure
        if isinstance(ended, UserError):
            raise ended
        count = compare(then, where / RECORD)
        checked(read_record(then), str(then), inputs.procedure)
        tell(console, [f"replayed: all {count} lines of the record are those of the run"])
        if ended is not None:
            tell(console, [f"the run ended {'not safe' if isinstance(ended, NotSafe) else 'aborted'}: {ended}"])
            return 3
        if options.out is None:
            return show_verdict(evaluate(read_record(then), RECORD), options.folder, console)
        return show_verdict(conclude(where / RECORD, where, procedure=inputs.procedure), where, console)
