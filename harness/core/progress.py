"""The terminal's display during a run: where it is, what is energised, time left, latest error against limit."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

from harness.core.output import tell
from harness.core.quantities import format_duration, format_quantity
from harness.core.rounding import claimed_percent, for_terminal, signed_percent

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.live import Live
    from rich.table import Table
    from rich.text import Text

REHEARSAL_INTERVAL = 5.0
"""Seconds between two lines on a rehearsal where output is not a terminal."""


class Progress:
    """The display of a run's progress. This one shows nothing: for rehearsals without a terminal, replays and tests."""

    def doing(self, text: str) -> None:
        """Tell what is being done now."""

    def energised(self, current: float) -> None:
        """Primary current in amperes; 0 means off and confirmed."""

    def finished_point(self, index: int, name: str, ratio_error: float | None, limit: float | None) -> None:
        """Point `index` (from 0) is done; no error for a zero point."""

    def note(self, text: str) -> None:
        """Tell something worth a line that stays."""

    @contextmanager
    def paused(self) -> Iterator[None]:
        """The terminal belongs to a person."""
        yield


class _LiveDisplay(Progress):
    """What is `shown` at the bottom of a terminal, rewritten again and again; nothing where output is not a terminal."""

    def __init__(self, console: Console, shown: Callable[[], RenderableType]) -> None:
        self._console, self._renderable = console, shown
        self._doing, self._done = "starting", 0
        self._live: Live | None = None

    def __enter__(self) -> Self:
        self._begin()
        return self

    def __exit__(self, *failure: object) -> None:
        self._end()

    def _begin(self) -> None:
        """Begin a fresh display: one that is started again first erases as many lines as it had before."""
        from rich.live import Live

        if self._console.is_terminal:
            self._live = Live(
                get_renderable=self._renderable, console=self._console, refresh_per_second=8, transient=True
            )
            self._live.start(refresh=True)

    def _end(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None


class RehearsalProgress(_LiveDisplay):
    """Progress of a rehearsal: one line rewritten at the bottom of a terminal, plain lines now and then elsewhere."""

    def __init__(self, console: Console) -> None:
        super().__init__(console, self._shown)
        self._started = self._told = time.monotonic()

    def doing(self, text: str) -> None:
        """Show what is being done: in a line of its own where output is not a terminal, but not more often than it helps."""
        self._doing = text
        self._tell_now_and_then()

    def finished_point(self, index: int, name: str, ratio_error: float | None, limit: float | None) -> None:
        self._done = index + 1
        self._tell_now_and_then()

    def _tell_now_and_then(self) -> None:
        now = time.monotonic()
        if self._live is None and now - self._told >= REHEARSAL_INTERVAL:
            self._told = now
            tell(self._console, [f"  {self._so_far()}"])

    def _so_far(self) -> str:
        spent = format_duration(time.monotonic() - self._started)
        points = f"{self._done} point{'' if self._done == 1 else 's'}"
        return f"{points} rehearsed, {spent}: {self._doing}"

    def _shown(self) -> Text:
        from rich.text import Text

        return Text(f"rehearsing: {self._so_far()}", no_wrap=True, overflow="crop")


class TerminalProgress(_LiveDisplay):
    """A few lines at the bottom of the terminal, plain lines elsewhere. `durations`: rehearsed seconds to each point's end, for time left."""

    def __init__(self, console: Console, durations: list[float]) -> None:
        super().__init__(console, self._shown)
        self._durations, self._latest = durations, ""
        # Somebody else may have switched the load on: until it has been asked nothing is known of it.
        self._current: float | None = None

    def doing(self, text: str) -> None:
        self._doing = text

    def energised(self, current: float) -> None:
        self._current = current

    def finished_point(self, index: int, name: str, ratio_error: float | None, limit: float | None) -> None:
        """Show the latest point; one line each where output is not a terminal. No `limit`: nothing is claimed there."""
        self._done = index + 1
        if ratio_error is None:
            self._latest = f"{name}: read"
        elif limit is None:
            self._latest = (
                f"{name}: ratio error {for_terminal(signed_percent(ratio_error))}, outside the currents claimed"
            )
        else:
            within = "within" if abs(ratio_error) <= limit else "OUTSIDE"
            shown = for_terminal(
                f"{signed_percent(ratio_error, limit)}, {within} the limit of {claimed_percent(limit)}"
            )
            self._latest = f"{name}: ratio error {shown}"
        if self._live is None:
            self.note(f"{self._done:>3} of {len(self._durations)}  {self._latest}")

    def note(self, text: str) -> None:
        tell(self._console, [f"  {text}"])

    @contextmanager
    def paused(self) -> Iterator[None]:
        self._end()
        try:
            yield
        except BaseException:
            # The prompt was left in the middle of its line, and what comes next must not stand in it.
            self._console.line()
            raise
        finally:
            self._begin()

    def _shown(self) -> Table:
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        points = len(self._durations)
        left = self._durations[-1] - (self._durations[self._done - 1] if self._done else 0.0) if points else 0.0
        of_points, table = Table.grid(padding=(0, 2)), Table.grid(padding=(0, 2))
        bar = ProgressBar(max(1, points), self._done, width=30)
        of_points.add_row(f"{self._done} of {points}", bar, f"about {format_duration(left)} left")
        table.add_row("point", of_points)
        table.add_row("now", Text(self._doing))
        live = (
            Text(f"{format_quantity(self._current, 'A')} through the meter", style="bold red")
            if self._current
            else Text("not known before the load has been asked" if self._current is None else "load off, confirmed")
        )
        table.add_row("current", live)
        table.add_row("latest", Text(self._latest))
        return table
