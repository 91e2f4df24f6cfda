"""Terminals of the instruments of a simulated bench, made from the profiles they stand in for."""

import random
from collections.abc import Callable
from functools import partial

from instruments.profile import Profile
from instruments.profile_tables import Quantity
from simulated.bench_physics import BenchPhysics
from simulated.description import InstrumentDescription
from simulated.physics.load import CurrentSource, Refused
from simulated.terminals.sensing import Sensing, measured
from simulated.transports.modbus import RegisterMap
from simulated.transports.scpi_conversation import Command, Reply, ScpiTerminal

Terminal = ScpiTerminal | RegisterMap
UNLIMITED = 1000.0
"""Value of a setting without a bound before anybody has set it."""
SOONEST, LATEST, AFTERWARDS = 2, 9, 0.05
"""A link fault strikes once between these readings (counted from 0), and later with this probability."""


class UnsupportedInstrument(Exception):
    """The simulated bench cannot stand in for this instrument."""


def terminal_of(bench: BenchPhysics, instrument: InstrumentDescription) -> Terminal:
    """The terminal of `instrument`, acting on `bench`. Raises UnsupportedInstrument."""
    profile = instrument.profile
    if profile is None:
        raise UnsupportedInstrument(f"instrument {instrument.name!r}: a person has no terminal")
    if profile.kind == "modbus":
        if instrument.role in ("load", "switch"):
            raise UnsupportedInstrument(f"instrument {instrument.name!r}: no Modbus {instrument.role} is simulated")
        # Only the device counts energy.
        held = {n: r for n, r in profile.registers.items() if n != "energy" or instrument.role == "meter"}
        return RegisterMap(
            held,
            partial(measured, bench, instrument.role),
            profile.serial_registers,
            _serial(bench, instrument),
        )
    reset: Callable[[], None] = partial(bench.reset, instrument.role)
    if instrument.role == "load":
        commands, reset = _load_commands(bench, profile), partial(bench.change_load, CurrentSource.reset)
    elif instrument.role == "switch":
        commands, reset = _switch_commands(bench, instrument, profile), partial(bench.turn_switch, "")
    else:
        commands = _sensing_commands(bench, instrument, profile)
    identity = _identity(profile, _serial(bench, instrument))
    own = [Command(profile.identification.query, lambda _: Reply(identity))]
    # A profile's start commands, and its safe commands where nothing is driven, change nothing on this bench.
    idle = [Command(c, _ignore) for c in (*profile.start, *profile.safe.commands) if not c.startswith("*")]
    idle += [Command(c.query, partial(_say, c.expect[0])) for c in profile.safe.confirm]
    errors = profile.errors.query if profile.errors is not None else ""
    return ScpiTerminal(identity, [*commands, *own, *idle], errors, reset)


def _serial(bench: BenchPhysics, instrument: InstrumentDescription) -> str:
    if instrument.role == "reference" and _has(bench, "wrong-serial"):
        return instrument.serial[:-1] + ("1" if instrument.serial.endswith("0") else "0")
    return instrument.serial


def _has(bench: BenchPhysics, fault: str) -> bool:
    return any(f.name == fault for f in bench.faults)


def _identity(profile: Profile, serial: str) -> str:
    field = profile.identification.serial_field
    fields = ["Simulated", profile.title.replace(",", ""), "0", "1.0"]
    fields += ["0"] * (field + 1 - len(fields))
    fields[field] = serial
    return ",".join(fields)


def _ignore(_: str) -> None:
    return None


def _say(text: str, _: str) -> Reply:
    return Reply(text)


def _load_measures(bench: BenchPhysics, name: str, _: str) -> Reply:
    return _number(measured(bench, "load", name))


def _number(value: float) -> Reply:
    return Reply(f"{value:+.8E}")


def _set(bench: BenchPhysics, setting: Callable[[CurrentSource, float, float], None], text: str) -> None:
    bench.change_load(lambda load, now: setting(load, float(text), now))


def _arm(bench: BenchPhysics, text: str) -> None:
    """Set the watchdog's waiting time with a number; switch it on without one."""
    if text:
        bench.arm_watchdog(float(text))
    else:
        bench.watch(True)


class _Settings:
    """Settings of an instrument that act on nothing: kept inside their bounds and reported."""

    def __init__(self) -> None:
        self._values: dict[str, float] = {}

    def set(self, name: str, quantity: Quantity, text: str) -> None:
        """Keep a value. Raises Refused (-222) outside the profile's bounds."""
        value = float(text)
        if not quantity.minimum <= value <= quantity.maximum:
            raise Refused(-222)
        self._values[name] = value

    def tell(self, name: str, quantity: Quantity, _: str) -> Reply:
        """The value kept; before there is one the largest, as after *RST."""
        return _number(self._values.get(name, min(quantity.maximum, UNLIMITED)))


def _setting_commands(name: str, quantity: Quantity, settings: _Settings) -> list[Command]:
    limit = f"{name} limit"
    commands = [Command(c, partial(settings.set, name, quantity)) for c in quantity.set]
    commands += [Command(c, partial(settings.set, limit, quantity)) for c in quantity.protect]
    if quantity.set and quantity.get:
        commands.append(Command(quantity.get, partial(settings.tell, name, quantity)))
    if quantity.protect_get:
        commands.append(Command(quantity.protect_get, partial(settings.tell, limit, quantity)))
    return commands


def _load_commands(bench: BenchPhysics, profile: Profile) -> list[Command]:
    current = profile.quantities["current"]
    commands = [Command(c, partial(_set, bench, CurrentSource.set_current)) for c in current.set]
    protect = partial(_set, bench, lambda load, limit, _: load.set_protection(limit))
    commands += [Command(c, protect) for c in current.protect]
    limits = [current.protect_get] if current.protect_get else []
    limits += [f"{c.header}?" for c in commands[len(current.set) :]]
    commands += [Command(query, lambda _: _number(bench.load.protection)) for query in limits]
    commands.append(Command(current.get, lambda _: _number(bench.load.setpoint)))
    settings = _Settings()
    for name, quantity in profile.quantities.items():
        commands += [Command(c, _ignore) for c in quantity.configure]
        if name == "power_factor" and quantity.set:
            commands += [Command(c, partial(_set, bench, CurrentSource.set_power_factor)) for c in quantity.set]
            commands += [Command(quantity.get, lambda _: _number(bench.load.power_factor))] if quantity.get else []
        elif name != "current":
            commands += _setting_commands(name, quantity, settings)
            if quantity.get and not quantity.set:
                commands.append(Command(quantity.get, partial(_load_measures, bench, name)))
    if profile.watchdog is not None:
        commands += [Command(c, partial(_arm, bench)) for c in profile.watchdog.arm]
        commands += [Command(c, lambda _: bench.arm_watchdog()) for c in profile.watchdog.feed]
        commands += [Command(c, lambda _: bench.watch(False)) for c in profile.watchdog.disarm]
    valued = {c.header for c in commands}

    def switch(on: bool, _: str) -> None:
        bench.set_output(on)

    # A safe or on command that does not set the current's value is the one that moves the output.
    for texts, on in ((profile.on, True), (profile.safe.commands, False)):
        commands += [c for t in texts if (c := Command(t, partial(switch, on))).header not in valued]
    for confirm in profile.safe.confirm:
        off = confirm.expect[0]
        on_text = {"OFF": "ON", "0": "1"}.get(off.upper(), "1" if off != "1" else "0")
        commands.append(Command(confirm.query, partial(_output_state, bench, on_text, off)))
    return commands


def _output_state(bench: BenchPhysics, on: str, off: str, _: str) -> Reply:
    return Reply(on if bench.load.on else off)


def _sensing_commands(bench: BenchPhysics, instrument: InstrumentDescription, profile: Profile) -> list[Command]:
    sensing = Sensing(bench, instrument.role, profile)
    link = _FaultyLink(bench) if instrument.role == "reference" else None
    settings = _Settings()

    def tell(query: str, _: str) -> Reply:
        reply = _number(sensing.read(query))
        return link.carry(reply) if link is not None else reply

    commands = []
    for name, quantity in profile.quantities.items():
        commands += [Command(c, partial(sensing.configure, name)) for c in quantity.configure]
        commands += _setting_commands(name, quantity, settings)
    queries = dict.fromkeys(q.get for q in profile.quantities.values() if q.get)
    commands += [Command(query, partial(tell, query)) for query in queries]
    if profile.trigger is not None:
        *before, fire = profile.trigger.fire
        arm = profile.trigger.arm
        commands += [Command(c, _ignore) for c in (*arm[:-1], *before)]
        commands += [Command(c, sensing.arm) for c in arm[-1:]]
        commands.append(Command(fire, sensing.fire))
    return commands


class _FaultyLink:
    """Sends the reference's readings to the client, late or garbled now and then with those faults."""

    def __init__(self, bench: BenchPhysics) -> None:
        self._bench = bench
        self._seed = bench.description.seed
        self._count = 0

    def carry(self, reply: Reply) -> Reply:
        number, self._count = self._count, self._count + 1
        delay = self._bench.late_reply_delay if self._strikes("late-reply", number) else reply.delay
        text = _garbled(reply.text) if self._strikes("garbled-reply", number) else reply.text
        return Reply(text, delay)

    def _strikes(self, fault: str, number: int) -> bool:
        if not _has(self._bench, fault):
            return False
        if number <= LATEST:
            return number == random.Random(f"{self._seed} {fault}").randint(SOONEST, LATEST)
        return random.Random(f"{self._seed} {fault} {number}").random() < AFTERWARDS


def _garbled(text: str) -> str:
    """`text` with bit 6 of the second and fourth character flipped, as on a disturbed line: digits become letters."""
    return "".join(chr(ord(c) ^ 0x40) if i in (1, 3) else c for i, c in enumerate(text))


def _switch_commands(bench: BenchPhysics, instrument: InstrumentDescription, profile: Profile) -> list[Command]:
    switching = profile.switching
    if switching is None:
        raise UnsupportedInstrument(f"instrument {instrument.name!r}: its profile has no [switching]")
    ranges = {channel: name for name, channel in instrument.positions.items()}

    def close(channel: str) -> None:
        if channel not in ranges:
            raise Refused(-222)
        bench.turn_switch(ranges[channel])

    def state(channel: str) -> Reply:
        claimed = instrument.positions.get(bench.claimed_position(), "")
        if "{position}" not in switching.query:
            return Reply(claimed)
        if channel not in ranges:
            raise Refused(-222)
        selected = switching.selected[0]
        return Reply(selected if channel == claimed else "0" if selected != "0" else "1")

    commands = [Command(c, close if "{position}" in c else lambda _: bench.turn_switch("")) for c in switching.select]
    return [*commands, Command(switching.query, state)]
