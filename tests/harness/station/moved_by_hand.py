"""Links that note what a person does at the bench."""

from typing import Any

from harness.station.wires import LinkSource


class MovedByHand(LinkSource):
    """`asked`: what was done, in order."""

    def __init__(self) -> None:
        self.asked: list[Any] = []

    def turn_switch(self, range_name: str) -> None:
        self.asked.append(("switch", range_name))

    def plug(self, current: float) -> None:
        self.asked.append(("plug", current))

    def turn_reference(self, full_scale: float) -> None:
        self.asked.append(("reference", full_scale))
