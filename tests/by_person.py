"""A bench with some instruments read or moved by a person."""

from dataclasses import replace

from harness.preparation.run_files import RunInputs


def by_person(inputs: RunInputs, *roles: str) -> RunInputs:
    """The same bench with some instruments read or moved by a person."""
    instruments = {
        name: (entry.model_copy(update={"profile": "person", "address": ""}) if name in roles else entry)
        for name, entry in inputs.bench.instruments.items()
    }
    return replace(inputs, bench=inputs.bench.model_copy(update={"instruments": instruments}))
