"""`ratioproof try`: walk through one instrument's profile and show every exchange, so that a new profile is soon right."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from rich.console import Console

from harness.commands.advice import advice
from harness.commands.certify import prepare_folder
from harness.commands.console_sheet import Sheet
from harness.commands.shown_links import ShownRegisters, ShownText
from harness.core.errors import AbortedSafe, NotSafe, Stopped, UserError
from harness.core.stop import StopSignal
from harness.files.bench import Bench, InstrumentEntry
from harness.files.loading import parse_bench, read_text
from harness.preparation.run_files import profile_folders
from harness.replay.link_transcripts import TranscribedLinks
from harness.safety.safing import make_all_safe, not_safe_message
from harness.station.identification import serial_elsewhere
from harness.station.reservation import reserved
from harness.station.wires import LinkSource, Wires, resolved_address
from instruments.drivers.registers import RegisterInstrument
from instruments.drivers.scpi import ScpiInstrument
from instruments.errors import IdentityError, InstrumentError, LinkError, QueuedError
from instruments.numbers import decode_registers
from instruments.profile import Profile, ProfileError, Quantity, load_profile
from instruments.reading import Identity, Reading, shown

IMPLAUSIBLY_SMALL, IMPLAUSIBLY_LARGE = 1e-12, 1e15
"""What lies beyond, in the units of profiles, comes from registers read with the wrong type or order."""


def try_one(name: str, bench_file: Path, console: Console, transcript: Path | None = None) -> int:
    """Try the instrument called `name`; 0 when all went well, 2 when its profile or the instrument is wrong.

    With `transcript` every exchange is written into that folder.

    Raises UserError, AbortedSafe when stopped, NotSafe when something was set and the safe state was not confirmed.
    """
    bench = parse_bench(read_text(bench_file), str(bench_file))
    if name not in bench.instruments:
        raise UserError(f"{bench_file}: found no instruments.{name}, expected one of {', '.join(bench.instruments)}")
    entry = bench.instruments[name]
    sheet = Sheet(console)
    if entry.by_person:
        sheet.note(f"{name} is read or moved by a person: there is nothing to try.", "")
        return 0
    try:
        profile = load_profile(entry.profile, profile_folders(bench_file))
    except ProfileError as failure:
        raise UserError([f"instruments.{name}.profile: {line}" for line in str(failure).splitlines()]) from None
    with reserved({name: entry.address}, bench_file.resolve().parent, f"ratioproof try {name}"):
        return _try(name, bench, entry, profile, bench_file, sheet, transcript)


def _try(
    name: str,
    bench: Bench,
    entry: InstrumentEntry,
    profile: Profile,
    bench_file: Path,
    sheet: Sheet,
    transcript: Path | None,
) -> int:
    sheet.title(f"{name}: {profile.title}")
    sheet.dim(f"profile {entry.profile}, at {entry.address}", "")
    if name == bench.roles.secondary:
        # Leaving the current ranges, and changing them, may open the loop.
        kept = {"current": profile.quantities["current"]} if "current" in profile.quantities else {}
        profile = profile.model_copy(update={"quantities": kept})
        sheet.note(
            "It stands in the secondary loop: only its current ranges are tried. Make sure that no current flows in the "
            "primary; an open secondary under current is dangerous."
        )
    wires = Wires(bench_file.resolve().parent, bench.visa)
    if transcript is None:
        walk = _Walk(name, entry, profile, bench_file.resolve().parent, wires, sheet)
        return walk.finish(_stopped_by(walk))
    if (file := transcript / f"{name}.jsonl").exists():
        raise UserError(f"{file}: exists already; a transcript is never overwritten")
    prepare_folder(transcript)
    written = TranscribedLinks(wires, transcript, time.monotonic, profile_folders(bench_file))
    walk = _Walk(name, entry, profile, bench_file.resolve().parent, written, sheet)
    try:
        return walk.finish(_stopped_by(walk))
    finally:
        for trouble in written.close():
            sheet.note(trouble)


def _stopped_by(walk: _Walk) -> BaseException | None:
    """Walk, and whatever ended the walk early."""
    with walk.stop.listening():
        try:
            walk.go()
        except BaseException as failure:  # noqa: BLE001  whatever it is, the safe state comes first
            return failure
    return None


class _Walk:
    """The steps through one profile. `wrong` collects the keys at fault."""

    def __init__(
        self, name: str, entry: InstrumentEntry, profile: Profile, folder: Path, links: LinkSource, sheet: Sheet
    ) -> None:
        self._name, self._entry, self._profile, self._sheet = name, entry, profile, sheet
        self._address = resolved_address(entry.address, folder)
        self.stop = StopSignal()
        self.wrong: list[str] = []
        self._steps, self._identified, self._has_set, self._broken = 0, False, False, False
        self._scpi = ScpiInstrument(
            name, entry.address, profile, lambda: ShownText(links.text(name, entry, profile), sheet), time.monotonic
        )
        self._registers = RegisterInstrument(
            name,
            entry.address,
            profile,
            lambda drain: ShownRegisters(links.registers(name, entry, drain), sheet),
            time.monotonic,
        )
        self._instrument = self._registers if profile.kind == "modbus" else self._scpi

    def go(self) -> None:
        """Everything but the safe state at the end. Raises Stopped."""
        self._identified = self._step("identify", self._identification_key(), self._identify)
        if not self._identified:
            return
        if self._profile.kind == "modbus":
            for name in self._profile.registers:
                self._step(name, f"registers.{name}", partial(self._read_register, name))
            return
        self._step("start", "start", self._start)
        if self._profile.safe.commands:
            self._step("safe state", "safe.commands", self._make_safe)
        safe = not self._profile.safe.confirm or self._step("safe state confirmed", "safe.confirm", self._confirm_safe)
        for name, quantity in self._profile.quantities.items():
            if quantity.configure:
                self._step(f"{name}: configure", f"quantities.{name}.configure", partial(self._configure, name))
            if quantity.get:
                self._step(f"{name}: get", f"quantities.{name}.get", partial(self._get, name))
        if safe:
            self._set_everything()
        else:
            self._sheet.gap()
            self._sheet.note("Nothing is set, because the safe state was not confirmed.")
        if self._profile.watchdog is not None and safe:
            self._step("watchdog: arm, feed, disarm", "watchdog", self._try_watchdog)
        if self._profile.switching is not None:
            self._ask_where()
        self._step("error queue", "errors.query", self._end_without_errors)

    def finish(self, failure: BaseException | None) -> int:
        """Safe again, the summary, and the exit status."""
        confirmed = not self._identified or self._safe_again()
        self._instrument.close()
        if not confirmed and self._has_set:
            raise NotSafe(f"{self._name} was set and is not confirmed safe.\n{self._not_safe}") from failure
        if isinstance(failure, Stopped):
            raise AbortedSafe(f"{failure}; {self._name} is safe") from failure
        if failure is not None:
            raise failure
        self._sheet.gap()
        if not self.wrong:
            self._sheet.good(f"{self._name}: all {self._steps} steps went well.")
            return 0
        keys = ", ".join(dict.fromkeys(self.wrong))
        self._sheet.bad(f"{self._name}: {len(self.wrong)} of {self._steps} steps did not go well: {keys}.")
        return 2

    def _step(self, title: str, key: str, action: Callable[[], str]) -> bool:
        """Do one step and print how it went; whether it went well."""
        self.stop.check()
        self._steps += 1
        self._sheet.heading(title, key)
        try:
            if self._broken:
                self._instrument.open()
                self._broken = False
            self._sheet.good(action())
        except InstrumentError as failure:
            blamed = self._blamed(failure, key)
            self.wrong.append(blamed)
            self._sheet.bad(_told(failure))
            if isinstance(failure, IdentityError):
                self._sheet.note(
                    "Nothing else is tried on another instrument. If the reply holds the serial elsewhere, "
                    "set identification.serial_field.",
                    " " * 9,
                )
            elif not self._identified or (self._profile.kind == "modbus" and "exception" not in failure.reason):
                self._sheet.note(" ".join(advice(self._address, failure, self._profile.identification.query)), " " * 9)
            else:
                self._sheet.note(f"Look at {blamed} in the profile.", " " * 9)
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
            self._scpi.open()
            self._broken = False
            if found := self._scpi.drain_errors():
                self._sheet.note(f"The instrument says: {'; '.join(found)}", " " * 9)
        except InstrumentError:
            self._broken = True

    def _identification_key(self) -> str:
        return "serial_registers" if self._profile.kind == "modbus" else "identification.query"

    def _identify(self) -> str:
        self._instrument.open()
        if self._profile.kind == "modbus" and self._profile.serial_registers is None:
            return "opened; the profile has no serial_registers, so nothing tells which unit answers"
        identity: Identity = self._instrument.identify()
        if self._entry.serial and identity.serial and identity.serial != self._entry.serial:
            raise IdentityError(
                f"serial {shown(identity.serial)!r} answers, expected {self._entry.serial!r} as in the bench file"
                f"{serial_elsewhere(identity, self._entry.serial)}",
                instrument=self._name,
                address=self._entry.address,
            )
        if not identity.serial:
            return "it answers; the profile says nothing of a serial number"
        return f"serial {shown(identity.serial)}" + (", as in the bench file" if self._entry.serial else "")

    def _start(self) -> str:
        old = self._scpi.drain_errors()
        self._scpi.tell(self._profile.start)
        self._scpi.check_errors("; ".join(self._profile.start))
        return f"{len(old)} old errors were in the queue: {'; '.join(old)}" if old else "started"

    def _make_safe(self) -> str:
        self._scpi.make_safe()
        self._scpi.check_errors("; ".join(self._profile.safe.commands))
        return "sent"

    def _confirm_safe(self) -> str:
        confirmed, answer = self._scpi.confirm_safe()
        if not confirmed:
            expected = "; ".join(f"{c.query} -> {' or '.join(c.expect)}" for c in self._profile.safe.confirm)
            raise self._mistake(f"found {answer}, expected {expected}")
        return answer

    def _configure(self, name: str) -> str:
        scales = self._full_scales(name)
        for full_scale in scales:
            self._scpi.configure_quantity(name, full_scale)
        return "for " + ", ".join(_with_unit(s, self._profile.quantities[name].unit) for s in scales)

    def _full_scales(self, name: str) -> list[float]:
        """The ranges to go to: the bench file's, the largest last, or the profile's maximum, or 1."""
        if name == "current" and self._entry.ranges:
            return [accuracy.full_scale for accuracy in self._entry.ranges]
        maximum = self._profile.quantities[name].maximum
        return [maximum if maximum < float("inf") else 1.0]

    def _read_register(self, name: str) -> str:
        reading = self._registers.read_quantity(name)
        register = self._profile.registers[name]
        if not 0 < abs(reading.value) < IMPLAUSIBLY_SMALL and abs(reading.value) < IMPLAUSIBLY_LARGE:
            return _shown(reading)
        words = [int(word, 16) for word in reading.raw.split()]
        other = "little" if register.word_order == "big" else "big"
        turned = decode_registers(words, register.type, other, register.byte_order) * register.scale
        hint = f'; with word_order = "{other}" it reads {_with_unit(turned, register.unit)}' if len(words) > 1 else ""
        raise self._mistake(f"reads {_shown(reading)}, which is no {name.replace('_', ' ')} anybody measures{hint}")

    def _get(self, name: str) -> str:
        reading = self._scpi.read_quantity(name)
        self._scpi.check_errors(self._profile.quantities[name].get)
        return _shown(reading)

    def _set_everything(self) -> None:
        for name, quantity in self._profile.quantities.items():
            key = f"quantities.{name}"
            if quantity.set:
                title = f"{name}: set to its minimum, {_with_unit(quantity.minimum, quantity.unit)}"
                self._step(title, f"{key}.set", partial(self._set, name, quantity))
            if quantity.protect and quantity.protect_get:
                self._step(f"{name}: limit", f"{key}.protect", partial(self._protect, name, quantity))
            elif quantity.protect:
                self._sheet.heading(f"{name}: limit", f"{key}.protect")
                self._sheet.note("not tried: without protect_get nobody knows what to put back")
        if self._profile.on:
            self._sheet.heading("output on", "on")
            self._sheet.note("not tried: nothing is energised here")

    def _set(self, name: str, quantity: Quantity) -> str:
        self._has_set = True
        self._scpi.set_quantity(name, quantity.minimum)
        self._scpi.confirm_quantity(name, quantity.minimum)
        return "taken, and read back the same" if quantity.get else "taken; without get it cannot be read back"

    def _protect(self, name: str, quantity: Quantity) -> str:
        """Set the limit that is there: its words are tried and nothing changes."""
        limit = self._scpi.read_number(quantity.protect_get)
        self._has_set = True
        self._scpi.protect_quantity(name, limit)
        return f"is {_with_unit(limit, quantity.unit)}, set to the same"

    def _try_watchdog(self) -> str:
        watchdog = self._profile.watchdog
        assert watchdog is not None  # the caller has looked
        self._scpi.tell_checked(watchdog.arm, watchdog.seconds)
        for commands in (watchdog.feed, watchdog.disarm):
            self._scpi.tell(commands)
            self._scpi.check_errors("; ".join(commands))
        return "taken; whether it switches off is seen only with the output on"

    def _ask_where(self) -> None:
        switching = self._profile.switching
        assert switching is not None  # the caller has looked
        for range_name, position in self._entry.positions.items():

            def ask(position: str = position) -> str:
                reply = self._scpi.ask(switching.query, position=position)
                self._scpi.check_errors(switching.query)
                return "selected" if reply in switching.selected else f"not selected ({reply!r})"

            self._step(f"position {range_name}", "switching.query", ask)
        self._sheet.heading("position selected", "switching.select")
        self._sheet.note("not tried: a range switch must not move while current may flow")

    def _end_without_errors(self) -> str:
        if self._profile.errors is None:
            return "the profile has no error queue"
        self._scpi.check_errors("the end")
        return "empty"

    def _safe_again(self) -> bool:
        safe = self._profile.safe
        if not safe.commands and not safe.confirm:
            return True
        self._sheet.heading("safe again", "safe")
        self._steps += 1
        if self._broken:
            self._instrument.close()
        states = make_all_safe({self._name: self._instrument}, [self._name])
        if states[0].confirmed:
            self._sheet.good(states[0].answer or "sent; the profile asks for no confirmation")
            return True
        self.wrong.append("safe.confirm")
        self._not_safe = not_safe_message(states)
        self._sheet.bad(f"not confirmed: {states[0].answer or 'no answer'}; whether it drives anything is not known")
        return False

    def _mistake(self, reason: str) -> QueuedError:
        return QueuedError(reason, instrument=self._name, address=self._entry.address)


def _told(failure: InstrumentError) -> str:
    """What happened, without the instrument and address that stand at the top."""
    after = f" after {failure.elapsed:.2f} s" if failure.elapsed is not None and isinstance(failure, LinkError) else ""
    command = f" ({failure.command})" if failure.command else ""
    return f"{failure.reason}{after}{command}"


def _shown(reading: Reading) -> str:
    return _with_unit(reading.value, reading.unit)


def _with_unit(value: float, unit: str) -> str:
    return f"{value:.8g}" if unit == "1" else f"{value:.8g} {unit}"
