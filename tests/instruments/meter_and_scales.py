"""A meter that refreshes its display quickly, and the ranges of a reference, for benches that profiles are tried on."""

from simulated.description import MeterDescription, RangeDescription, ScaleDescription

METER = MeterDescription(
    serial="77",
    secondary_turns=1000,
    rated_secondary_current=0.1,
    maximum_secondary_current=0.12,
    secondary_fuse=None,
    burden=5.0,
    winding_resistance=20.0,
    frequency=50.0,
    resolution=0.001,
    smallest_readable_current=0.02,
    refresh_interval=0.02,
    ranges=(
        RangeDescription("one", 1, "independent", 1.0, 0.1, 50.0),
        RangeDescription("ten", 10, "series", 0.1, 0.01, 5.0),
    ),
)
SCALES = (ScaleDescription(10.0, 1e-3, 1e-4, 1e-5), ScaleDescription(100.0, 1e-3, 1e-4, 1e-4))
