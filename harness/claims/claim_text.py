"""The claim of a device file in words, and which of the tables it rests on were written from memory."""

from harness.class_tables.accuracy_classes import PHASE_MINUTES, SOURCE, TableSource
from harness.class_tables.power_classes import power_source
from harness.core.angles import MINUTES_PER_RADIAN
from harness.files.device import Claim
from harness.results import ClaimedError

FROM_MEMORY = "limits written from memory, to be checked against the standard"


def limits_in_words(claim: Claim) -> dict[ClaimedError, str]:
    """All that is claimed, by the error it is of: of the ratio, then phase displacement, power and the influence of the waveform where they are."""
    limits: dict[ClaimedError, str] = {
        "ratio error": _current(claim),
        "phase displacement": _phase(claim),
        "power error": _power(claim),
        "influence of the waveform": _waveform(claim),
    }
    return {error: limit for error, limit in limits.items() if limit}


def claim_sources(claim: Claim) -> tuple[TableSource, ...]:
    current = () if claim.accuracy_class is None else (SOURCE,)
    power = () if claim.power_class is None else (power_source(claim.power_class),)
    return (*current, *power)


def _current(claim: Claim) -> str:
    if claim.accuracy_class is not None:
        return f"of {_of_class(claim.accuracy_class)}"
    terms = [
        (claim.of_reading, f"{claim.of_reading * 100:g} % of reading"),
        (claim.of_range, f"{claim.of_range * 100:g} % of range"),
        (claim.counts, f"{claim.counts:g} display steps"),
    ]
    return f"within ± ({_added(terms)})"


def _phase(claim: Claim) -> str:
    angle = claim.phase_displacement
    if angle is None and claim.accuracy_class in PHASE_MINUTES:
        return f"of {_of_class(claim.accuracy_class)}"
    return "" if angle is None else f"within ± {angle * MINUTES_PER_RADIAN:.4g} minutes of arc"


def _power(claim: Claim) -> str:
    if claim.power_class is not None:
        standard, _, name = claim.power_class.rpartition(" ")
        return f"of class {name} of {standard}, In the maximum current of each range{_doubt(power_source(claim.power_class))}"
    terms = [
        (claim.power_of_reading, f"{claim.power_of_reading * 100:g} % of reading"),
        (claim.power_counts, f"{claim.power_counts:g} display steps of power"),
    ]
    return f"within ± ({_added(terms)})" if any(value for value, _ in terms) else ""


def _waveform(claim: Claim) -> str:
    found = claim.waveform_influence
    return "" if found is None else f"within ± {found * 100:g} %, the error with another waveform less that with a sine"


def _of_class(accuracy_class: str) -> str:
    return f"class {accuracy_class} of IEC 61869-2, rated at the maximum current of each range{_doubt(SOURCE)}"


def _added(terms: list[tuple[float, str]]) -> str:
    return " + ".join(text for value, text in terms if value)


def _doubt(source: TableSource) -> str:
    return f" ({FROM_MEMORY})" if source.from_memory else ""
