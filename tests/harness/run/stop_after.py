"""Somebody in a hurry at the terminal of a run."""

from collections.abc import Callable

from harness.core.progress import Progress


class StopAfter(Progress):
    """Asks to stop once so many things have been reported."""

    def __init__(self, count: int) -> None:
        self.left = count
        self.request: Callable[[str], None] = lambda reason: None

    def doing(self, text: str) -> None:
        """Count, and ask twice, as somebody in a hurry does."""
        self.left -= 1
        if self.left == 0:
            self.request("stopped by SIGINT")
            self.request("stopped by SIGINT")
