"""The uncertainty budget of an evaluation: input quantities (GUM, 4.1), shared ones made once, each with its source; budget lines and U of a value."""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from uncertainties import ufloat

from harness.core.interpolation import Node
from harness.evaluation.uncertainty.coverage_factor import Coverage, coverage_factor
from harness.evaluation.uncertainty.gum_formulas import Contribution, Distribution, rectangular
from harness.evaluation.uncertainty.repeatability import RangeScatter
from harness.files.bench import Bench
from harness.files.instrument_entry import InstrumentEntry
from harness.files.reference_part import ReferencePart
from harness.results import BudgetLine, Stated

DAYS_PER_YEAR = 365.25
CANCELLED = 1e-9
"""A contribution below this part of the combined standard uncertainty is rounding left of one that cancels."""


@dataclass(frozen=True)
class InputQuantity:
    """Properties of one input beside its uncertainty."""

    name: str
    distribution: Distribution
    degrees_of_freedom: float
    shared: bool
    unit: str = "1"


@dataclass
class InputQuantities:
    """All inputs of one evaluation, each with its source, shared ones made once. `scatter`: pooled repeatability by the range's name."""

    bench: Bench
    run_date: dt.date
    scatter: Mapping[str, RangeScatter] = field(default_factory=dict)
    sources: dict[Any, InputQuantity] = field(default_factory=dict)
    _shared: dict[str, Any] = field(default_factory=dict)
    _known: dict[tuple[float, float | None, bool], list[tuple[str, Sequence[Node]]]] = field(default_factory=dict)

    def own(
        self, name: str, uncertainty: float, distribution: Distribution, freedom: float = math.inf, unit: str = "1"
    ) -> Any:
        """A new input belonging to one point; plain 0 when it has no uncertainty. `unit` is "1" for a relative one."""
        return self._make(uncertainty, InputQuantity(name, distribution, freedom, shared=False, unit=unit))

    def shared(self, name: str, uncertainty: float, distribution: Distribution, unit: str = "1") -> Any:
        """The one input of this name, made when it is first asked for."""
        if name not in self._shared:
            self._shared[name] = self._make(
                uncertainty, InputQuantity(name, distribution, math.inf, shared=True, unit=unit)
            )
        return self._shared[name]

    def own_bound(self, name: str, half_width: float, unit: str = "1") -> Any:
        """A new input that lies anywhere within +-`half_width`."""
        return self.own(name, rectangular(half_width), "rectangular", unit=unit)

    def shared_bound(self, name: str, half_width: float, unit: str = "1") -> Any:
        """The one input of this name, which lies anywhere within +-`half_width`."""
        return self.shared(name, rectangular(half_width), "rectangular", unit)

    def since_calibration(
        self, of: str, entry: InstrumentEntry | ReferencePart, behind: str = "", unit: str = "1"
    ) -> tuple[Any, Any]:
        """Drift since the calibration of what is called `of`, and the temperature now, which its calibration does not cover."""
        years = max(0.0, (self.run_date - entry.calibration.date).days / DAYS_PER_YEAR) if entry.calibration else 0.0
        away = abs(self.bench.environment.temperature - entry.calibration_temperature)
        drift, warmth = entry.drift_per_year * years, (entry.temperature_coefficient or 0.0) * away
        return (
            self.shared_bound(f"{of}: drift since calibration{behind}", drift, unit),
            self.shared_bound(f"{of}: temperature{behind}", warmth, unit),
        )

    def known_of_path(self, frequency: float, burden: float | None, *, phase: bool) -> list[tuple[str, Sequence[Node]]]:
        """As the reference path's `known`, which every point asks for alike."""
        asked = frequency, burden, phase
        if asked not in self._known:
            self._known[asked] = self.bench.reference_path.known(frequency, burden, phase=phase)
        return self._known[asked]

    def _make(self, uncertainty: float, source: InputQuantity) -> Any:
        if uncertainty == 0:
            return 0.0
        variable = ufloat(0.0, uncertainty, tag=source.name)
        self.sources[variable] = source
        return variable

    def contributions(self, value: Any) -> list[Contribution]:
        """Contributions of each input to the standard uncertainty of `value`, largest first."""
        parts = value.error_components() if hasattr(value, "error_components") else {}
        of = self.sources
        found = [Contribution(u, of[v].distribution, of[v].degrees_of_freedom) for v, u in parts.items() if u > 0]
        return sorted(found, key=lambda part: -part.standard_uncertainty)

    def budget(self, value: Any, made_of: Mapping[str, Any] | None = None) -> tuple[BudgetLine, ...]:
        """Budget lines of `value`, largest contribution first, without those that cancel; `made_of` names the values whose own inputs bear their name."""
        whose = {v: f", {name}" for name, part in (made_of or {}).items() for v in part.derivatives}
        least = CANCELLED * float(value.std_dev)
        lines = [
            BudgetLine(
                source=source.name if source.shared else source.name + whose.get(variable, ""),
                distribution=source.distribution,
                standard_uncertainty=float(variable.std_dev),
                unit=source.unit,
                sensitivity=float(derivative),
                contribution=abs(float(derivative)) * float(variable.std_dev),
                degrees_of_freedom=source.degrees_of_freedom if math.isfinite(source.degrees_of_freedom) else None,
                shared=source.shared,
            )
            for variable, derivative in value.derivatives.items()
            for source in (self.sources[variable],)
            if abs(derivative) * variable.std_dev > least
        ]
        return tuple(sorted(lines, key=lambda line: -line.contribution))

    def expanded(self, value: Any) -> tuple[Stated, Coverage]:
        """`value` with U, and the coverage behind it; a plain number has no uncertainty."""
        coverage = coverage_factor(self.contributions(value), self.bench.decision.coverage_probability)
        standard, factor = deviation(value), coverage.factor
        return Stated(nominal(value), standard, factor * standard, factor, coverage.told_degrees_of_freedom), coverage

    def stated(self, value: Any) -> Stated:
        return self.expanded(value)[0]

    def stated_or_none(self, value: Any | None) -> Stated | None:
        return None if value is None else self.stated(value)


def nominal(value: Any) -> float:
    """The estimate of a value, which may be a plain number."""
    return float(getattr(value, "nominal_value", value))


def deviation(value: Any) -> float:
    """The standard uncertainty of a value, which may be a plain number."""
    return float(getattr(value, "std_dev", 0.0))
