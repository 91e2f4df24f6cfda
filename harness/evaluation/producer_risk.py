"""The producer's risk (JCGM 106:2012, clause 9) of a whole run, before it is made: the probability that it does not pass a sound meter.

A sound meter has the errors that the catalogue of causes calls ordinary, and meets its claim wherever it is read. The bench
is wrong anywhere within its uncertainty: every input of every budget is drawn from its own distribution, one that several
points share is drawn once for them all. So points that stand and fall together are counted so. A range does not pass when
one of its points does not, by the decision rule and with the uncertainties that were rehearsed.

Seeded trials and no closed form: the acceptance of many correlated points is an integral over all of them.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from harness.core.arrays import Array
from harness.evaluation.diagnosis.ordinary_errors import OrdinaryErrors
from harness.evaluation.uncertainty.uncertainty_budget import InputQuantities, InputQuantity
from harness.results import Conformity

SEED = 20_240_117
BATCH, BATCHES = 20_000, 20
ENOUGH = 15_000
"""Sound meters after which no more are drawn: the standard uncertainty of a probability is then 0.4 % at most."""

FEWEST = 400
"""The fewest sound meters among those drawn from which a probability is told: 2.5 % of standard uncertainty."""


@dataclass(frozen=True)
class JudgedError:
    """One error that a run judges: its range, its value with all inputs, and how that stood to the claim in the rehearsal."""

    range: str
    error: Any
    conformity: Conformity


@dataclass(frozen=True)
class Rejection:
    """Probabilities that a sound meter is not passed: on each range (by name), and in the whole run.

    `conforming` is the part of ordinary meters that meets the claim wherever it is read, `trials` how many of them were
    drawn. With too few of them the probabilities are None.
    """

    of_range: Mapping[str, float | None]
    of_run: float | None
    conforming: float
    trials: int


def rejection(inputs: InputQuantities, judged: Sequence[JudgedError], ordinary: OrdinaryErrors) -> Rejection:
    """The probability that a sound meter gets no pass, not even a conditional one, from errors `judged` and `ordinary` at the same places."""
    generator = np.random.default_rng(SEED)
    limits = np.array([j.conformity.limit for j in judged])
    conditional = inputs.bench.decision.verdicts == "four"
    passed = limits if conditional else np.array([j.conformity.acceptance_limit for j in judged])
    drawn, failed = 0, [np.zeros((0, len(judged)), dtype=bool)]
    for _ in range(BATCHES):
        true = ordinary.drawn(generator, BATCH)
        true = true[(np.abs(true) <= limits).all(axis=1)]
        drawn += BATCH
        failed.append(np.abs(true + _bench_errors(inputs, judged, generator, len(true))) > passed)
        if sum(len(f) for f in failed) >= ENOUGH:
            break
    failures = np.concatenate(failed)
    sound, enough = len(failures), len(failures) >= FEWEST
    names = list(dict.fromkeys(j.range for j in judged))
    own = {name: np.array([j.range == name for j in judged]) for name in names}
    return Rejection(
        {name: float(failures[:, own[name]].any(axis=1).mean()) if enough else None for name in names},
        float(failures.any(axis=1).mean()) if enough else None,
        sound / drawn,
        sound,
    )


def _bench_errors(
    inputs: InputQuantities, judged: Sequence[JudgedError], generator: np.random.Generator, count: int
) -> Array:
    """Errors added by the bench, (count, n): every input drawn once, shared by all that it enters."""
    variables = list(dict.fromkeys(v for j in judged for v in j.error.derivatives))
    sensitivities = np.array([[j.error.derivatives.get(v, 0.0) for j in judged] for v in variables])
    draws = np.column_stack([_drawn(inputs.sources[v], float(v.std_dev), generator, count) for v in variables])
    found: Array = draws @ sensitivities
    return found


def _drawn(source: InputQuantity, standard_uncertainty: float, generator: np.random.Generator, count: int) -> Array:
    if source.distribution == "rectangular":
        reach = math.sqrt(3) * standard_uncertainty
        return generator.uniform(-reach, reach, count)
    # What scatters in the next run is normal, however few readings of the rehearsal told its standard deviation.
    return generator.normal(0.0, standard_uncertainty, count)
