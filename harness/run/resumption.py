"""Resume position of an interrupted run: what the record already holds, and the steps before the first point it does not hold.

The procedure is started again from its beginning. Until that point nothing is touched.
"""

from collections.abc import Collection, Mapping

from harness.files.device import Range
from harness.steps import Apply, Observe, PointReading, Release, Select, Step, Wait


class Resumption:
    """Position of a procedure while the record answers it.

    `finished` holds the points of the record by their number, `waited` the numbers of the waits that need not be repeated. `on` is true
    until `to_do` is asked; `waits` counts the waits passed.
    """

    def __init__(self, finished: Mapping[int, PointReading], waited: Collection[int]) -> None:
        self._finished, self._waited = finished, waited
        self.on = bool(finished or waited)
        self.waits = 0
        self.power_factor: float | None = None
        self._range: Range | None = None
        self._current = 0.0
        self._held_back: list[Step] = []

    def pass_over(self, step: Step) -> None:
        """Skip `step`: it was performed, or `to_do` will name it."""
        waiting = isinstance(step, Wait) and self.waits not in self._waited
        if self._held_back or waiting:
            # Whether a wait is over is known at the point after it: what follows it has to wait for that too.
            self._held_back.append(step)
        else:
            self._note(step)

    def point(self, number: int) -> PointReading | None:
        """The reading of point `number`, None when the record does not hold it. All steps before a recorded point are over."""
        found = self._finished.get(number)
        if found is not None:
            for step in self._held_back:
                self._note(step)
            self._held_back.clear()
        return found

    def to_do(self) -> list[Step]:
        """Steps that prepare the bench for the first unfinished point, a wait that was cut short included."""
        self.on = False
        reached: list[Step] = [] if self._range is None else [Select(self._range)]
        if self._range is not None and self._current:
            reached.append(Apply(self._current, self.power_factor))
        return [*reached, *self._held_back]

    def _note(self, step: Step) -> None:
        match step:
            case Select(range=rng):
                self._range, self._current = rng, 0.0
            case Apply(current=current, power_factor=asked):
                self._current = current
                self.power_factor = asked if asked is not None else self.power_factor
            case Release():
                self._current = 0.0
            case Wait():
                self.waits += 1
            case Observe():
                pass
