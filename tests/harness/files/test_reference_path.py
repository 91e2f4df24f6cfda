"""The reference path of a bench file: what it multiplies by, what it may carry, where it is known."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from harness.files.reference_path import ReferencePath

LIMITS = Path(__file__).parents[2] / "reference" / "iec61869_2_ct_limits.csv"

CALIBRATION = {"certificate": "Q-7", "date": "2026-01-01", "due": "2027-01-01"}
ROWS = [
    {"current": "5 A", "frequency": "50 Hz", "ratio_error": "-0.20 %", "uncertainty": "0.03 %"},
    {"current": "20 A", "frequency": "50 Hz", "ratio_error": "-0.10 %", "uncertainty": "0.05 %"},
    {"current": "5 A", "frequency": "60 Hz", "ratio_error": "-0.16 %", "uncertainty": "0.03 %"},
]
TRANSFORMER: dict[str, Any] = {
    "serial": "T-9",
    "calibration": CALIBRATION,
    "ratio": 20.0,
    "rated_current": "100 A",
    "burden": "0.2 ohm",
    "calibrated": ROWS,
}
SHUNT: dict[str, Any] = {
    "serial": "S-3",
    "calibration": CALIBRATION,
    "resistance": "10 mohm",
    "rated_current": "30 A",
    "power_rating": "4 W",
    "temperature_coefficient": "0.002 %/K",
    "self_heating": "10 K/W",
    "calibrated": [
        {"current": "1 A", "frequency": "50 Hz", "resistance": "10.002 mohm", "uncertainty": "0.01 %"},
        {"current": "20 A", "frequency": "50 Hz", "resistance": "10.004 mohm", "uncertainty": "0.02 %"},
    ],
}


def path(kind: str, part: dict[str, Any] | None, **more: Any) -> ReferencePath:
    """A path as a bench file has it."""
    return ReferencePath.model_validate({"kind": kind, **({"part": part} if part else {}), **more})


def test_loops_multiply_what_the_part_carries() -> None:
    """Ampere-turns: three passes of 5 A are 15 A through the core, and the rating is reached at a third of the current."""
    looped = path("transformer", TRANSFORMER, loops=4)
    assert looped.factor == pytest.approx(5.0)
    assert looped.ratings() == [(pytest.approx(25.0), "rated current of the reference transformer")]
    assert looped.unknown(1.25, 50.0, 0.2) == ""
    assert looped.unknown(1.0, 50.0, 0.2) == (
        "reference transformer T-9 carries 4 A at 50 Hz with 200 mohm on its secondary: "
        "it is calibrated from 5 A to 20 A at 50 Hz with 200 mohm"
    )


def test_a_calibration_holds_at_its_frequency_and_with_its_burden() -> None:
    """IEC 61869-1: the reference range of frequency for measuring is 99 % to 101 % of the rated one (value from memory)."""
    transformer = path("transformer", TRANSFORMER)
    assert transformer.unknown(5.0, 50.4, 0.2) == ""
    assert "at 55 Hz" in transformer.unknown(5.0, 55.0, 0.2)
    assert "it is calibrated from 5 A to 20 A at 50 Hz, 60 Hz with 200 mohm" in transformer.unknown(5.0, 55.0, 0.2)
    part = transformer.part
    assert part is not None
    assert [n.error for n in part.nodes(60.0)] == pytest.approx([-0.0016])
    assert "at 50 Hz with 100 mohm" in transformer.unknown(5.0, 50.0, 0.1)
    bounded = path("transformer", {**TRANSFORMER, "burden_effect": "0.02 %"})
    assert bounded.unknown(5.0, 50.0, 0.1) == ""
    assert bounded.unknown(5.0, 50.0, 0.3) != ""
    assert "burden_effect is not stated" in transformer.unknown(5.0, 50.0, 0.1)
    assert "burden_effect" not in bounded.unknown(5.0, 50.0, 0.3)
    assert "burden_effect" not in transformer.unknown(5.0, 50.0, 0.3)


def test_a_class_bounds_what_was_not_calibrated() -> None:
    """IEC 61869-2, tables 201 and 202, as in tests/reference; from a quarter to all of the rated burden."""
    classed = path("transformer", {**TRANSFORMER, "accuracy_class": "0.2S"})
    assert classed.unknown(1.0, 50.0, 0.2) == ""
    assert classed.unknown(0.5, 50.0, 0.2) != ""
    assert classed.unknown(1.0, 50.0, 0.04) != ""
    assert classed.unknown(5.0, 50.0, 0.05) == ""
    # 0.2S: from 1 % to 120 % of 100 A, from a quarter to all of 200 mohm.
    assert classed.unknown(1.0, 50.0, 0.04) == (
        "nothing is known of reference transformer T-9 at 50 Hz with 40 mohm on its secondary: it is calibrated from 5 A to 20 A at "
        "50 Hz with 200 mohm, of class 0.2S from 1 A to 120 A at 50 Hz with 50 mohm to 200 mohm; "
        "burden_effect is not stated (a bound of what a smaller burden changes)"
    )
    assert "carries 500 mA at 50 Hz with 100 mohm on its secondary: it is " in classed.unknown(0.5, 50.0, 0.1)
    # The class is one at rated frequency.
    assert classed.unknown(1.0, 55.0, 0.2) != ""
    part = classed.part
    assert part is not None
    with LIMITS.open(encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if r["class"] == "0.2S"]
    assert rows
    bounds = {round(n.at, 6): n.standard_uncertainty * math.sqrt(3) for n in part.claimed(50.0)}
    phases = {round(n.at, 6): n.standard_uncertainty * math.sqrt(3) for n in part.claimed(50.0, phase=True)}
    for row in rows:
        at = float(row["pct_In"])
        assert bounds[at] == pytest.approx(float(row["ratio_error_pct"]) / 100)
        assert math.degrees(phases[at]) * 60 == pytest.approx(float(row["phase_min"]))


def test_a_shunt_is_limited_by_its_power() -> None:
    """P = I^2 R (Joule): 4 W in 10 mohm are 20 A, less than the 30 A it is rated for. Its factor is one over its resistance."""
    shunt = path("shunt", SHUNT)
    assert shunt.factor == pytest.approx(100.0)
    assert shunt.in_volts
    assert min(shunt.ratings()) == (pytest.approx(20.0), "power rating of the reference shunt")
    part = shunt.part
    assert part is not None
    assert [n.error for n in part.nodes(50.0)] == pytest.approx([2e-4, 4e-4])


def test_a_calibration_with_direct_current_asks_what_alternating_current_changes() -> None:
    rows = [{**row, "frequency": "0 Hz"} for row in SHUNT["calibrated"]]
    with pytest.raises(ValidationError, match="expected ac_dc_difference"):
        path("shunt", {**SHUNT, "calibrated": rows})
    bounded = path("shunt", {**SHUNT, "calibrated": rows, "ac_dc_difference": "0.02 %"})
    assert bounded.unknown(5.0, 50.0, None) == bounded.unknown(5.0, 60.0, None) == ""


@pytest.mark.parametrize(
    ("kind", "part", "more", "told"),
    [
        ("transformer", None, {}, r'found kind = "transformer" without \[reference_path.part\]'),
        ("direct", TRANSFORMER, {}, 'found kind = "direct" with'),
        ("shunt", SHUNT, {"loops": 2}, "found loops or position"),
        ("shunt", {k: v for k, v in SHUNT.items() if k != "power_rating"}, {}, r"found no part\.power_rating"),
        ("shunt", {**SHUNT, "accuracy_class": "0.2"}, {}, r"found part\.accuracy_class"),
        ("transformer", SHUNT, {}, "found a part without ratio"),
        ("clamp", TRANSFORMER, {}, "found no position"),
        ("transformer", {**TRANSFORMER, "resistance": "1 ohm"}, {}, "ratio and resistance both"),
        ("transformer", {**TRANSFORMER, "calibrated": []}, {}, "found no statement of its error"),
        ("transformer", {**TRANSFORMER, "calibration": None}, {}, "calibrated without calibration"),
        ("transformer", {**TRANSFORMER, "accuracy_class": "0.3"}, {}, "found accuracy_class '0.3'"),
        ("transformer", {**TRANSFORMER, "bound": "1 %"}, {}, "only one of bound and lowest_current"),
        ("transformer", {**TRANSFORMER, "bound": "1 %", "lowest_current": "200 A"}, {}, "expected a span"),
        ("transformer", {**TRANSFORMER, "calibrated": [ROWS[1], ROWS[0]]}, {}, "rising, at each frequency"),
        ("direct", None, {"phase_displacement": "1 deg"}, r"found phase_displacement in \[reference_path\]"),
    ],
)
def test_what_contradicts_itself(kind: str, part: dict[str, Any] | None, more: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        path(kind, part, **more)


def test_without_class_or_certificate_the_makers_bound_serves() -> None:
    """Nothing is corrected then; it holds from the lowest current stated to the rated one."""
    part = {"serial": "C-1", "resistance": "10 mV/A", "rated_current": "40 A", "bound": "1 %", "lowest_current": "1 A"}
    clamp = path("clamp", part, position="0.3 %")
    assert clamp.factor == pytest.approx(100.0)
    ((origin, nodes),) = clamp.known(50.0, None)
    assert (origin, [n.at for n in nodes], [n.error for n in nodes]) == (
        "bound stated by its maker",
        [1.0, 40.0],
        [0.0, 0.0],
    )
    assert nodes[0].standard_uncertainty == pytest.approx(0.01 / math.sqrt(3))
