"""A run from safe to safe: everything is made safe on every way out, whatever happens, and the outcome is reported."""

import errno

from harness.core.errors import AbortedSafe, LoadStaysOn, NotSafe, RatioproofError, Stopped
from harness.record.journal import RecordWriter
from harness.run.runner import Runner
from harness.safety.safing import make_all_safe, not_safe_message
from harness.steps import Options, Procedure
from instruments.errors import InstrumentError


def execute(runner: Runner, procedure: Procedure, options: Options) -> None:
    """Run `procedure` from safe to safe. Raises AbortedSafe or NotSafe unless it came to its end with everything off.

    The bench is made safe before the first step and after the last, whatever happened between; a stop signal waits.
    """
    station, writer = runner.context.station, runner.context.writer
    states = make_all_safe(station.instruments, station.safe_order, writer, runner.pause)
    if not all(s.confirmed for s in states):
        _write_stop(writer, "not safe", "not safe at the start")
        raise NotSafe(not_safe_message(states))
    failure: BaseException | None = None
    try:
        runner.run(procedure, options)
    except BaseException as caught:  # noqa: BLE001  everything, a programming error included, must pass through safing
        failure = caught
    states = make_all_safe(station.instruments, station.safe_order, writer, runner.pause)
    station.person.warn_after(0, "")
    unseen, flows = "", False
    try:
        unseen = runner.verify_dead()
    except LoadStaysOn as flowing:
        failure, flows = flowing, True
    except Exception as defect:  # noqa: BLE001  no defect of a look at the reference keeps what is not safe from being told
        unseen = _said(defect)
    reason = "" if failure is None else _said(failure)
    # A person who could not unplug the load at first and now says it is done is believed, unless current is seen; a load
    # on a link is not.
    stays_on = isinstance(failure, LoadStaysOn) and not station.load.by_person
    if flows or stays_on or not all(s.confirmed for s in states):
        _write_stop(writer, "not safe", reason)
        raise NotSafe("\n".join(filter(None, [reason, not_safe_message(states)]))) from failure
    if failure is None:
        unwritten = _write_stop(writer, "complete", "")
        if not unwritten:
            return
        reason = f"the end of the run could not be written to the record: {unwritten}"
    _write_stop(writer, "aborted", reason)
    if failure is None or isinstance(failure, Stopped | RatioproofError | InstrumentError | OSError):
        seen = f"; that no current flows was not seen by the reference: {unseen}" if unseen else ""
        raise AbortedSafe(f"{reason}; everything is off and confirmed{seen}") from failure
    raise failure


def _said(failure: BaseException) -> str:
    if isinstance(failure, OSError) and failure.filename:
        elsewhere = " (make room, or copy the record to another disk)" if failure.errno == errno.ENOSPC else ""
        return f"{failure.filename}: {failure.strerror}{elsewhere}"
    return str(failure) or type(failure).__name__


def _write_stop(writer: RecordWriter, outcome: str, reason: str) -> str:
    """Write the last line of a run; the reason when even that failed and the record reads as interrupted."""
    try:
        writer.write("stop", outcome=outcome, reason=reason)
    except Exception as failure:  # noqa: BLE001  whatever it is, how the bench was left must still be told
        return _said(failure)
    return ""
