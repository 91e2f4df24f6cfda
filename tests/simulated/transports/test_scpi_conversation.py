"""The SCPI core: matching, errors and the error queue. Error numbers: SCPI-1999 volume 2, 21.8 (value from memory)."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulated.description import BenchDescription
from simulated.physics.virtual_clock import VirtualClock
from simulated.simulated_bench import SimulatedBench
from simulated.transports.scpi_conversation import Command, Reply, ScpiConversation, ScpiTerminal, header_forms


def instrument() -> tuple[ScpiTerminal, list[float]]:
    taken: list[float] = []
    commands = [
        Command("SOURce:CURRent {value}", lambda text: taken.append(float(text))),
        Command("SOURce:CURRent?", lambda _: Reply(f"{taken[-1]:E}")),
        Command("OUTPut ON", lambda _: taken.append(-1.0)),
        Command("ROUTe:CLOSe (@{position})", lambda text: taken.append(float(len(text)))),
    ]
    return ScpiTerminal("Simulated,Thing,1,1.0", commands, "SYSTem:ERRor?", taken.clear), taken


@pytest.mark.parametrize(
    "message", ["SOUR:CURR 1.5", "source:current 1.5", ":SOURce:CURR +15E-1", "sour:CURRENT .15e1"]
)
def test_short_and_long_forms_in_any_case(message: str) -> None:
    """SCPI-1999 volume 1, 6.2.1: the short form or the long form, nothing in between."""
    thing, taken = instrument()
    assert thing.execute(message) is None
    assert taken == [1.5]
    assert thing.execute("SYST:ERR?") == Reply('0,"No error"')


@pytest.mark.parametrize("header", ["SOURC:CURR", "SOUR:CUR", "SOUR", "SOUR:CURR:LEV", "SOUR::CURR", "CURR?"])
def test_anything_between_is_another_header(header: str) -> None:
    """`SOURC` is neither SOUR nor SOURCE."""
    assert header not in header_forms("SOURce:CURRent")


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ("SOUR:VOLT 1", -113),
        ("*XYZ", -113),
        ("SOUR:CURR", -109),
        ("SOUR:CURR many", -104),
        ("SOUR:CURR nan", -104),
        ("SOUR:CURR inf", -104),
        ("OUTP MAYBE", -224),
        ("*CLS 5", -108),
    ],
)
def test_what_it_refuses(message: str, error: int) -> None:
    """Each refusal leaves its standard number in the queue, nothing else happens, and the queue empties."""
    thing, taken = instrument()
    thing.execute(message)

    first, second = thing.execute("SYST:ERR?"), thing.execute("SYST:ERR:NEXT?")
    assert first is not None
    assert int(first.text.split(",")[0]) == error
    assert second == Reply('0,"No error"')
    assert taken == []


def test_a_query_with_a_parameter_is_answered_and_queues() -> None:
    """What real instruments were seen to do with `*IDN? 5`."""
    thing, _ = instrument()
    assert thing.execute("*IDN? 5") == Reply("Simulated,Thing,1,1.0")
    assert thing.execute("SYST:ERR?") == Reply('-108,"Parameter not allowed"')


def test_the_queue_overflows() -> None:
    """SCPI-1999 21.8.1: the last entry becomes -350, the first ones stay."""
    thing, _ = instrument()
    for _ in range(200):
        thing.execute("NONSense")
    replies = [thing.execute("SYST:ERR?") for _ in range(201)]
    numbers = [int(r.text.split(",")[0]) for r in replies if r is not None]

    full = numbers.index(0)
    assert numbers[: full - 1] == [-113] * (full - 1)
    assert numbers[full - 1] == -350
    assert set(numbers[full:]) == {0}


def test_common_commands() -> None:
    """IEEE 488.2: *ESR? bit 5 is a command error and reading clears it; *OPC? answers 1; *CLS empties the queue."""
    thing, taken = instrument()
    thing.execute("NONSense")
    assert thing.execute("*ESR?") == Reply("32")
    assert thing.execute("*ESR?") == Reply("0")
    assert thing.execute("*OPC?") == Reply("1")
    thing.execute("*CLS")
    assert thing.execute("SYST:ERR?") == Reply('0,"No error"')
    thing.execute("SOUR:CURR 1")
    thing.execute("*RST")
    assert taken == []


def test_bytes_arrive_in_pieces() -> None:
    """A message is carried out when its end has come, not before; CR LF ends one as well as LF."""
    thing, taken = instrument()
    line = ScpiConversation(thing)

    assert line.receive(b"SOUR:CU") == []
    assert line.receive(b"RR 2\r\nSOUR:CURR?\n*OP") == [(b"2.000000E+00\n", 0.0)]
    assert line.receive(b"C?\n") == [(b"1\n", 0.0)]
    assert taken == [2.0]


def test_an_endless_message_is_dropped() -> None:
    """A sender that never ends its line cannot fill the memory; -363 says so."""
    thing, _ = instrument()
    line = ScpiConversation(thing)
    for _ in range(5):
        line.receive(b"x" * 1000)
    assert line.receive(b"\nSYST:ERR?\n")[-1][0].startswith(b"-363")
    assert line.receive(b"*OPC?\n") == [(b"1\n", 0.0)]


@given(st.lists(st.binary(max_size=200), max_size=10))
def test_no_bytes_make_it_raise(pieces: list[bytes]) -> None:
    """Whatever arrives, the core answers afterwards."""
    thing, _ = instrument()
    line = ScpiConversation(thing)
    for piece in pieces:
        line.receive(piece)
    line.receive(b"\n")
    assert line.receive(b"*OPC?\n") == [(b"1\n", 0.0)]


_PIECES = st.sampled_from(
    ["SOUR:CURR", "OUTP", "?", " ", "ON", "1", "1e999", ";", "(@", ")", "*RST", "ROUT:CLOS", "\n", "-"]
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(words=st.lists(_PIECES, max_size=30))
def test_no_words_make_a_whole_bench_raise(words: list[str], make_description: Callable[..., BenchDescription]) -> None:
    """The same with words that mean something, against every terminal of a bench."""
    bench = SimulatedBench(make_description(), VirtualClock())
    for name in ("source", "multimeter", "relay"):
        terminal = bench.terminal(name)
        assert isinstance(terminal, ScpiTerminal)
        line = ScpiConversation(terminal)
        line.receive("".join(words).encode() + b"\n*CLS\n")
        assert line.receive(b"*OPC?\n") == [(b"1\n", 0.0)]
