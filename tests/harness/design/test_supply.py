"""What feeds the path against worked examples and tables of fuses: what it lets flow, and which parts do not withstand that."""

from __future__ import annotations

import pytest

from harness.design.check import check
from harness.files.loading import parse_device
from tests.harness.design.demo_device import device, found
from tests.own_parts import own_parts


@pytest.mark.parametrize(("stands", "unprotected"), [("2 A", 1), ("15 A", 0)])
def test_a_switch_must_serve_its_socket(stands: str, unprotected: int) -> None:
    # Common practice, no published source: a 2 A switch does not serve a 13 A socket, a 15 A one does.
    checked = device(switch=f'"{stands}"\nsupply_socket = "13 A"')
    findings = found(checked, "not protected", "13 A flow")
    assert len(findings) == unprotected
    assert all("range switch: rated 2 A" in f.text and "fuse of at most 2 A" in f.text for f in findings)


@pytest.mark.parametrize(
    ("rating", "kind", "ends"),
    [
        # IEC 60898-1, a circuit-breaker (value from memory): must have tripped at 1.45 In.
        ("16 A", "breaker", "23.2 A"),
        # IEC 60269-1, gG (values from memory): 2.1 In to 4 A, 1.9 In below 16 A, 1.6 In from there on.
        ("4 A", "gG", "8.4 A"),
        ("10 A", "gG", "19 A"),
        ("16 A", "gG", "25.6 A"),
        ("100 A", "gG", "160 A"),
        # IEC 60127-2, sheets 2 and 3: 2.1 In.
        ("5 A", "T", "10.5 A"),
        # BS 1362: 1.9 In.
        ("13 A", "plug-top", "24.7 A"),
    ],
)
def test_what_a_fuse_surely_ends(rating: str, kind: str, ends: str) -> None:
    (finding,) = found(
        device(switch=f'"90 A"\nfuse = "{rating}"\nfuse_type = "{kind}"'), "worth knowing", "no limit at its"
    )
    assert f"({rating}) is guaranteed to operate only from {ends}" in finding.text


def test_a_fuse_of_unknown_kind_is_taken_for_the_worst() -> None:
    unknown = device(switch='"90 A"\nfuse = "10 A"')
    assert len(found(unknown, "not known", "fuse_type is not given")) == 1
    assert found(unknown, "worth knowing", "is guaranteed to operate only from 21 A")


def test_an_unknown_supply_protects_nothing() -> None:
    (finding,) = found(device(), "not protected", "supply_socket")
    assert finding.range == ""
    assert all(r.supply_secondary_current is None for r in check(device()).ranges)


def test_a_switch_is_pushed_only_by_what_flows_through_it() -> None:
    """A switch of 25 A behind a 63 A supply is not protected; where x1 bypasses it and the others have fuses of 20 A and 4.5 A it is not.

    IEC 60269-1, gG (values from memory): 20 A have operated at 1.6 In, 32 A; IEC 60127-2: 4.5 A at 2.1 In, 9.45 A.
    """
    text = own_parts().replace('conductor = "90 A"', 'conductor = "90 A"\nsupply_socket = "63 A"', 1)
    checked = parse_device(text, "device.toml")
    assert not found(checked, "not protected", "range switch")
    told = [f.text for f in found(checked, "worth knowing", "no limit at its rating")]
    assert any(
        "fuse of range x4 (20 A) is guaranteed to operate only from 32 A" in t
        and "range switch (25 A) and conductor of range x4 (22 A)" in t
        for t in told
    )
    assert any("fuse of range x20 (4.5 A) is guaranteed to operate only from 9.45 A" in t for t in told)
    through = parse_device(text.replace("bypasses_switch = true", ""), "device.toml")
    (finding,) = found(through, "not protected", "range switch: rated 25 A, the supply socket lets 63 A flow")
    assert finding.range == ""


def test_an_own_conductor_must_serve_its_supply_and_its_claim() -> None:
    text = own_parts(x4='conductor = "12 A"').replace(
        'conductor = "90 A"', 'conductor = "90 A"\nsupply_socket = "16 A"', 1
    )
    checked = parse_device(text, "device.toml")
    assert found(checked, "not protected", "conductor of range x4: rated 12 A, the supply socket lets 16 A flow")
    (finding,) = found(checked, "in the way", "conductor of range x4: rated 12 A, the claim needs 20 A")
    assert finding.range == "x4"


def test_a_fuse_of_a_range_of_unknown_kind_is_named() -> None:
    text = own_parts(x4='fuse = "20 A"')
    assert found(parse_device(text, "device.toml"), "not known", "fuse of range x4: fuse_type is not given")
    (finding,) = found(
        parse_device(text, "device.toml"), "not protected", "supply of x1: neither fuse nor supply_socket"
    )
    assert finding.range == ""
