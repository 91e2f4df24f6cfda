"""Mutated device, bench, profile and cause files, shortened: every command ends well and says what is wrong."""

from tests.benchmarks.mutated_files import campaign


def test_no_file_brings_a_command_down() -> None:
    """All four kinds of files; the whole campaign is in tests/benchmarks."""
    outcome = campaign(160, first_seed=50_000)
    assert outcome.wrong == []
    assert set(outcome.statuses) >= {0, 2}
