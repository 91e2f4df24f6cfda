"""Diagnosis: which of the known causes explains a run, and which questions the run leaves open.

Every hypothesis predicts every reading as a linear function of a few unknowns with normal priors (`causes.toml`). With the
readings' own covariance, shared reference inputs included, the probability of the data under a hypothesis is a multivariate
normal density, and Bayes' theorem gives the rest. Large errors in one place cannot be explained by unknowns that would
have to act everywhere; readings that no hypothesis fits are said to be none of these.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from harness.evaluation.diagnosis.cause_schema import Catalogue
from harness.evaluation.diagnosis.causes import shipped_causes, without
from harness.evaluation.diagnosis.evidence import CURRENTS_ONLY, FurtherEvidence, Observations, observations
from harness.evaluation.diagnosis.extra_measurement import advise
from harness.evaluation.diagnosis.hypotheses import NO_KNOWN, NONE, OTHER, SOUND, Candidate
from harness.evaluation.diagnosis.input_estimates import input_estimates
from harness.evaluation.diagnosis.next_step import further, looking, none_fits, not_told_apart
from harness.evaluation.diagnosis.waveform_factors import passed
from harness.evaluation.diagnosis.weighing import SHOWN, Weighed, Weighing, together, weigh
from harness.evaluation.ratio.point_errors import PointValues
from harness.files.device import Device
from harness.results import DiagnosisDetails, Hypothesis, NextMeasurement, Reason

LARGEST_ODDS = 1e9
"""Larger odds are not told: they only say that there is no alternative."""

MOST_TOGETHER = 8
"""The extra measurement is chosen for so many of a group, the likeliest; more would not change it and cost time."""


@dataclass(frozen=True)
class Diagnosis:
    """Causes by falling probability, notes on them, and everything else that is known of it."""

    causes: tuple[Hypothesis, ...]
    notes: tuple[Reason, ...]
    details: DiagnosisDetails


@dataclass(frozen=True)
class ConsideredCauses:
    """Causes to compare readings with, and their origin (`given` or `kept`: a file). `ratio_typed`: the bench file has a typed ratio."""

    causes: Catalogue | None = None
    origin: Mapping[str, str] = field(default_factory=dict)
    ratio_typed: bool = False

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue, without causes of a typed ratio where there is none."""
        catalogue = self.causes or shipped_causes()
        return catalogue if self.ratio_typed else without(catalogue, "reference-ratio")

    @property
    def named(self) -> Reason:
        return Reason.of("catalogue", revision=self.catalogue.revision, **self.origin)


def diagnose(
    device: Device,
    points: Sequence[PointValues],
    beside: FurtherEvidence = CURRENTS_ONLY,
    compared: ConsideredCauses = ConsideredCauses(),
) -> Diagnosis:
    """The diagnosis of a run from its points and further evidence; empty without points."""
    catalogue = compared.catalogue
    data = observations(device, points, beside)
    if data is not None and not data.settings.shaped.any():
        catalogue = without(catalogue, "waveforms")
    if data is None:
        return Diagnosis((), (Reason.of("no-point-with-current"),), DiagnosisDetails(causes=compared.named))
    weighing = weigh(device, catalogue, data)
    listed = _listed(weighing)
    first = listed[0].fault
    faulty = first not in (NONE, OTHER)
    group = () if first == OTHER else together(weighing, catalogue.limits.odds)
    alternatives = not_told_apart([w.candidate.text for w in group]) if faulty else []
    notes = [none_fits(weighing.causes[0].candidate, weighing.fit)] if first == OTHER else list(alternatives)
    if faulty and any(w.candidate.common for w in group):
        notes.append(Reason.of("common-to-all"))
    notes += _of_direct_parts(data)
    if group:
        notes += input_estimates(device, catalogue, group[0].candidate, weighing.density)
    told_together = tuple(w.candidate.label for w in group) if alternatives else ()
    unseen = [weighing.found.candidate(i) for i in weighing.unseen]
    silent = [c for c in (*unseen, *(weighing.masked if group else ())) if c.label not in told_together]
    following, look = _next(device, weighing, group, catalogue.unmodelled.shape)
    if look is None and faulty:
        look = looking("look", weighing.causes[0].candidate.looks)
    return Diagnosis(
        listed,
        tuple(notes),
        DiagnosisDetails(
            together=told_together,
            look=look,
            extra_measurement=following,
            same_readings=_labels(weighing.aliases if group else ()),
            not_shown=_labels(silent),
            goodness_of_fit=_rounded(weighing.fit),
            causes=compared.named,
        ),
    )


def _of_direct_parts(data: Observations) -> list[Reason]:
    """What every transformer loses of the waveforms with a direct part that were read."""
    direct = dict.fromkeys(w for w in data.settings.waveform.tolist() if not w.symmetrical)
    return [Reason.of("direct-part", waveform=w.text, lost=1 - passed(w)) for w in direct]


def _listed(weighing: Weighing) -> tuple[Hypothesis, ...]:
    everything = [(w.candidate, w.probability) for w in weighing.causes] + [(NO_KNOWN, weighing.other)]
    everything.sort(key=lambda entry: -entry[1])
    found = []
    for (cause, probability), (_, following) in itertools.pairwise([*everything, (NO_KNOWN, 0.0)]):
        if probability < SHOWN:
            break
        faults = cause.faults
        found.append(
            Hypothesis(
                fault=" with ".join(name for name, _ in faults),
                range=" with ".join(rng or "all" for _, rng in faults) if any(rng for _, rng in faults) else None,
                description=cause.text,
                probability=_rounded(probability),
                label=cause.label,
                odds_against_none=None if faults == SOUND.faults else _odds(probability, weighing.sound),
                odds_against_next=_odds(probability, following),
            )
        )
    return tuple(found)


def _next(
    device: Device, weighing: Weighing, group: Sequence[Weighed], shape: float
) -> tuple[NextMeasurement | None, Reason | None]:
    """The next measurement for the group, or an inspection where no reading helps; for a healthy meter, what this run could not see."""
    indices = [w.index for w in group][:MOST_TOGETHER]
    probabilities = [w.probability for w in group][:MOST_TOGETHER]
    aim = "to-separate"
    if len(indices) == 1 and weighing.causes[0].candidate.faults == SOUND.faults:
        aim = "to-detect"
        indices += weighing.unseen
        probabilities = [float(weighing.found.priors[i]) for i in indices]
    if len(indices) < 2:
        return None, None
    advice = advise(weighing.model.part(np.array(indices)), probabilities, weighing.density, shape)
    return further(device, advice, [weighing.found.candidate(i) for i in indices], aim)


def _labels(candidates: Sequence[Candidate]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(c.label for c in candidates))


def _odds(one: float, other: float) -> float:
    return _rounded(min(LARGEST_ODDS, one / other)) if other > 0 else LARGEST_ODDS


def _rounded(value: float) -> float:
    """Rounded to six digits: the last ones depend on the machine's arithmetic, and a recomputed certificate must not."""
    return float(f"{value:.6g}")
