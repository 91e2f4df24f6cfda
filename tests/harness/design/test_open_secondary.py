"""The clamp of an open secondary: missing, not stated, with and without a fuse that may open it."""

from __future__ import annotations

from tests.harness.design.demo_device import device, found


def test_a_clamp_the_file_does_not_know_is_asked_for() -> None:
    (finding,) = found(
        device(secondary_clamp="", secondary_clamp_voltage=""), "in the way", "secondary_clamp is not given"
    )
    assert "DANGEROUS" in finding.text
    assert '"none" if there is none' in finding.text
    without = device(secondary_clamp='"none"', secondary_clamp_voltage="")
    assert found(without, "in the way", "there is none; a melted fuse")
    # Without a fuse only a loose wire opens the secondary.
    unfused = device(secondary_fuse="", secondary_fuse_type="", secondary_clamp='"none"', secondary_clamp_voltage="")
    assert found(unfused, "worth knowing", "a loose wire leaves the secondary open")
    unfused = device(secondary_fuse="", secondary_fuse_type="", secondary_clamp="", secondary_clamp_voltage="")
    assert found(unfused, "not known", "secondary_clamp is not given")
