"""Links that show on a sheet what passes over them."""

from __future__ import annotations

import time
from collections.abc import Callable

from harness.commands.console_sheet import ConsoleSheet
from instruments.links.link import Link, RegisterLink


class ShownText:
    """A link that shows what passes."""

    def __init__(self, link: Link, sheet: ConsoleSheet) -> None:
        self._link, self._sheet = link, sheet

    def write(self, text: str) -> None:
        self._sheet.sent(text)
        self._link.write(text)

    def read(self) -> str:
        return self._timed(self._link.read)

    def query(self, text: str) -> str:
        self._sheet.sent(text)
        return self._timed(lambda: self._link.query(text))

    def close(self) -> None:
        self._link.close()

    def _timed(self, receive: Callable[[], str]) -> str:
        started = time.monotonic()
        reply = receive()
        self._sheet.received(reply, time.monotonic() - started)
        return reply


class ShownRegisters:
    """A register link that shows what passes."""

    def __init__(self, link: RegisterLink, sheet: ConsoleSheet) -> None:
        self._link, self._sheet = link, sheet

    def read_registers(self, function: str, address: int, count: int) -> list[int]:
        self._sheet.sent(f"read {count} {function} registers from {address}")
        started = time.monotonic()
        words = self._link.read_registers(function, address, count)
        self._sheet.received(" ".join(f"{w:04x}" for w in words), time.monotonic() - started)
        return words

    def close(self) -> None:
        self._link.close()
