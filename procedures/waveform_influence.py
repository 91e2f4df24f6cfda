"""What another waveform than a sine does to the reading of every range."""

from harness.steps import NEARLY_EQUAL, Apply, Device, Observe, Options, Range, Release, Select, Steps, procedure

NEEDED = (
    "it needs a shelf with a load stated as a sine and one stated as another waveform, both within what a range claims, their currents within "
    f"{100 * NEARLY_EQUAL - 100:g} % of each other; a load set over a link drives sines alone. The bench file states waveform of each load, and response, "
    "bandwidth and crest_factor of the reference"
)


@procedure(title="Influence of the waveform", revision="1")
def waveform_influence(device: Device, options: Options) -> Steps:
    """On every range read loads of other waveforms, and sines of nearly the same effective current before them; the largest peak comes last.

    The difference of the errors is the influence of the waveform. Raises ValueError where the shelf has nothing to compare.
    """
    compared = {rng.name: pairs_within(rng, options) for rng in device.ranges}
    if not any(compared.values()):
        raise ValueError(NEEDED)
    for rng in device.ranges:
        pairs = compared[rng.name]
        if not pairs:
            continue
        yield Select(rng)
        for current in sorted({sine for _, sine in pairs}):
            yield Apply(current)
            yield Observe(f"{rng.name} sine {current:.4g} A", options.readings, "single")
        for current, _ in sorted(pairs, key=lambda pair: pair[0] * options.crest_factors[pair[0]]):
            yield Apply(current)
            yield Observe(f"{rng.name} waveform {current:.4g} A", options.readings, "waveform")
        yield Release()


def pairs_within(rng: Range, options: Options) -> list[tuple[float, float]]:
    """Currents of the loads that `rng` claims whose waveform is no sine, each with that of the nearest sine, where one is near enough."""
    claimed = [c for c in options.crest_factors if rng.minimum_current <= c <= rng.maximum_current]
    sines = [c for c in claimed if c in options.sines]
    nearest = [(c, min(sines, key=lambda s: ratio(c, s))) for c in claimed if sines and c not in options.sines]
    return [pair for pair in nearest if ratio(*pair) <= NEARLY_EQUAL]


def ratio(first: float, second: float) -> float:
    return max(first, second) / min(first, second)
