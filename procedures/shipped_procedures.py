"""The list of the procedures shipped: a new one is a module of this room and a name here."""

from harness.steps import Procedure


def shipped_procedures() -> dict[str, Procedure]:
    """Every shipped procedure by its name."""
    from procedures.bench_check import bench_check
    from procedures.current_ratio import current_ratio
    from procedures.endurance import endurance
    from procedures.energy_register import energy_register
    from procedures.no_load import no_load
    from procedures.power_and_phase import power_and_phase
    from procedures.smallest_current import smallest_current
    from procedures.turns_check import turns_check
    from procedures.waveform_influence import waveform_influence

    found = (
        current_ratio,
        turns_check,
        power_and_phase,
        smallest_current,
        no_load,
        endurance,
        energy_register,
        waveform_influence,
        bench_check,
    )
    return {p.name: p for p in found}
