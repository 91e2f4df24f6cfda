"""What holds for all tests."""

from hypothesis import settings

# How long an example takes depends on what else the machine does; that is measured in tests/benchmarks, not here.
settings.register_profile("ratioproof", deadline=None)
settings.load_profile("ratioproof")
