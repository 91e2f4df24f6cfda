"""A walk through one profile, step by step, with the safe state at its end."""

from collections.abc import Callable
from functools import partial

from harness.commands.advice import advice
from harness.commands.console_sheet import ConsoleSheet
from harness.commands.tried_profile import TriedProfile, with_unit
from harness.core.errors import AbortedSafe, NotSafe, Stopped
from harness.core.stop import StopSignal
from harness.safety.safing import make_all_safe, not_safe_message
from instruments.errors import IdentityError, InstrumentError, LinkError, QueuedError


def walked(tried: TriedProfile, sheet: ConsoleSheet, address: str) -> int:
    """Walk; 0 when all went well, 2 otherwise. Raises AbortedSafe when stopped, NotSafe when the end was not confirmed safe."""
    walk, ended_by = _Walk(tried, sheet, address), None
    with walk.stop.listening():
        try:
            walk.go()
        except BaseException as failure:  # noqa: BLE001  whatever it is, the safe state comes first
            ended_by = failure
    return walk.finish(ended_by)


class _Walk:
    """The steps through one profile. `wrong` collects the keys at fault."""

    def __init__(self, tried: TriedProfile, sheet: ConsoleSheet, address: str) -> None:
        self._tried, self._sheet, self._address = tried, sheet, address
        self._name, self._entry, self._profile = tried.name, tried.entry, tried.profile
        self.stop = StopSignal()
        self.wrong: list[str] = []
        self._steps, self._identified, self._broken = 0, False, False

    def go(self) -> None:
        """Everything but the safe state at the end. Raises Stopped."""
        key = "serial_registers" if self._profile.kind == "modbus" else "identification.query"
        self._identified = self._step("identify", key, self._tried.identify)
        if not self._identified:
            return
        if self._profile.kind == "modbus":
            for name in self._profile.registers:
                self._step(name, f"registers.{name}", partial(self._tried.read_register, name))
            return
        self._step("start", "start", self._tried.start)
        if self._profile.safe.commands:
            self._step("safe state", "safe.commands", self._tried.make_safe)
        safe = not self._profile.safe.confirm or self._step(
            "safe state confirmed", "safe.confirm", self._tried.confirm_safe
        )
        for name, quantity in self._profile.quantities.items():
            if quantity.configure:
                self._step(f"{name}: configure", f"quantities.{name}.configure", partial(self._tried.configure, name))
            if quantity.get:
                self._step(f"{name}: get", f"quantities.{name}.get", partial(self._tried.get, name))
        if safe:
            self._set_everything()
        else:
            self._sheet.gap()
            self._sheet.note("Nothing is set, because the safe state was not confirmed.")
        if self._profile.watchdog is not None and safe:
            self._step("watchdog: arm, feed, disarm", "watchdog", self._tried.try_watchdog)
        if self._profile.switching is not None:
            self._ask_where()
        self._step("error queue", "errors.query", self._tried.end_without_errors)

    def finish(self, failure: BaseException | None) -> int:
        """Safe again, the summary, and the exit status."""
        confirmed = not self._identified or self._safe_again()
        self._tried.instrument.close()
        if not confirmed and self._tried.has_set:
            raise NotSafe(f"{self._name} was set and is not confirmed safe.\n{self._not_safe}") from failure
        if isinstance(failure, Stopped):
            raise AbortedSafe(f"{failure}; {self._name} is safe") from failure
        if failure is not None:
            raise failure
        self._sheet.gap()
        if not self.wrong:
            self._sheet.good(f"{self._name}: all {self._steps} steps passed.")
            return 0
        keys = ", ".join(dict.fromkeys(self.wrong))
        self._sheet.bad(f"{self._name}: {len(self.wrong)} of {self._steps} steps failed: {keys}.")
        return 2

    def _step(self, title: str, key: str, action: Callable[[], str]) -> bool:
        """Do one step and print how it went; whether it went well."""
        self.stop.check()
        self._steps += 1
        self._sheet.heading(title, key)
        try:
            if self._broken:
                self._tried.instrument.open()
                self._broken = False
            self._sheet.good(action())
        except InstrumentError as failure:
            blamed = self._blamed(failure, key)
            self.wrong.append(blamed)
            self._sheet.bad(_told(failure))
            if isinstance(failure, IdentityError):
                self._sheet.below(
                    "Another instrument answers: no further step is tried. If the reply holds the serial elsewhere, "
                    "set identification.serial_field."
                )
            elif not self._identified or (self._profile.kind == "modbus" and "exception" not in failure.reason):
                self._sheet.below(" ".join(advice(self._address, failure, self._profile.identification.query)))
            else:
                self._sheet.below(f"Look at {blamed} in the profile.")
                self._broken = not isinstance(failure, QueuedError)
                self._ask_why()
            return False
        return True

    def _blamed(self, failure: InstrumentError, key: str) -> str:
        """The key of the profile whose words failed: the step's, unless the error queue itself did not answer."""
        if isinstance(failure, IdentityError):
            return f"instruments.{self._name}.serial in the bench file"
        if not self._identified and isinstance(failure, LinkError):
            return f"instruments.{self._name}.address in the bench file"
        errors = self._profile.errors
        asked = errors is not None and failure.command == errors.query and not isinstance(failure, QueuedError)
        return "errors.query" if asked else key

    def _ask_why(self) -> None:
        """Show what the instrument has queued about a step that failed on the link."""
        if not self._broken or self._profile.kind == "modbus" or self._profile.errors is None:
            return
        try:
            self._tried.scpi.open()
            self._broken = False
            if found := self._tried.scpi.drain_errors():
                self._sheet.below(f"The instrument says: {'; '.join(found)}")
        except InstrumentError:
            self._broken = True

    def _set_everything(self) -> None:
        for name, quantity in self._profile.quantities.items():
            key = f"quantities.{name}"
            if quantity.set:
                title = f"{name}: set to its minimum, {with_unit(quantity.minimum, quantity.unit)}"
                self._step(title, f"{key}.set", partial(self._tried.set, name, quantity))
            if quantity.protect and quantity.protect_get:
                self._step(f"{name}: limit", f"{key}.protect", partial(self._tried.protect, name, quantity))
            elif quantity.protect:
                self._sheet.heading(f"{name}: limit", f"{key}.protect")
                self._sheet.note("not tried: without protect_get the present limit cannot be read and restored")
        if self._profile.on:
            self._sheet.heading("output on", "on")
            self._sheet.note("not tried: nothing is energised here")

    def _ask_where(self) -> None:
        for range_name, position in self._entry.positions.items():
            self._step(f"position {range_name}", "switching.query", partial(self._tried.ask_position, position))
        self._sheet.heading("position selected", "switching.select")
        self._sheet.note("not tried: a range switch must not move while current may flow")

    def _safe_again(self) -> bool:
        safe = self._profile.safe
        if not safe.commands and not safe.confirm:
            return True
        self._sheet.heading("safe again", "safe")
        self._steps += 1
        if self._broken:
            self._tried.instrument.close()
        states = make_all_safe({self._name: self._tried.instrument}, [self._name])
        if states[0].confirmed:
            self._sheet.good(states[0].answer or "sent; the profile asks for no confirmation")
            return True
        self.wrong.append("safe.confirm")
        self._not_safe = not_safe_message(states)
        self._sheet.bad(f"not confirmed: {states[0].answer or 'no answer'}; its output may be on")
        return False


def _told(failure: InstrumentError) -> str:
    """What happened, without the instrument and address that stand at the top."""
    after = f" after {failure.elapsed:.2f} s" if failure.elapsed is not None and isinstance(failure, LinkError) else ""
    command = f" ({failure.command})" if failure.command else ""
    return f"{failure.reason}{after}{command}"
