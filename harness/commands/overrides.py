"""Problems that a user sets aside by name: which can be, and which there are."""

from __future__ import annotations

from collections.abc import Sequence

from harness.core.clock import RealClock
from harness.core.errors import UserError
from harness.files.bench import Bench
from harness.station.identification import calibration_problems
from harness.station.wires import REPLAYED

NO_SUCH_PROBLEM = "there is no such problem to override"


def refuse_unknown(overrides: Sequence[str]) -> None:
    """Raise UserError for overrides that are not of a known form."""
    wrong = [n for n in overrides if n != "rehearsal" and n.partition(":")[0] not in ("serial", "due", "replayed")]
    if wrong:
        expected = "rehearsal, serial:INSTRUMENT, due:INSTRUMENT or replayed:INSTRUMENT"
        raise UserError([f"--override {n}: expected {expected}" for n in wrong])


def refuse_needless(bench: Bench, overrides: Sequence[str], rehearsal_problems: Sequence[str]) -> None:
    """Raise UserError for overrides of what is known to be no problem before anything is opened.

    Whether another serial number answers is known only then; here its instrument must be one that can answer and states it.
    """
    possible = {"rehearsal"} if rehearsal_problems else set()
    possible |= set(calibration_problems(bench, RealClock().wall().date()))
    for name, entry in bench.instruments.items():
        if entry.serial and not entry.by_person:
            possible.add(f"serial:{name}")
        if entry.address.startswith(REPLAYED):
            possible.add(f"replayed:{name}")
    if unused := [f"--override {o}: {NO_SUCH_PROBLEM}" for o in overrides if o not in possible]:
        raise UserError([*unused, "nothing was energised"])
