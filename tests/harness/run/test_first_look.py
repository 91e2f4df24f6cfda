"""A load never seen is first read where it can hurt nothing, and no range is changed while one is on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.commands.new import new
from harness.core.errors import AbortedSafe
from harness.preparation.run_files import load_inputs
from harness.preparation.twin import TwinLinks
from harness.steps import Apply, Device, Observe, Options, Release, Select, Steps, procedure
from tests.by_person import by_person
from tests.hands import Hands, by
from tests.harness.run.shelf import Watched, hand, wired, worked


def test_a_load_never_seen_is_first_read_on_the_largest_range(tmp_path: Path) -> None:
    """Only when it has been read there is the reference, with the supply disconnected, put on a smaller range."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1, per_decade=2))
    hands = Hands()
    twin, links = worked(inputs, hands)
    first = dict(reversed(links.plugged_in))
    assert set(first.values()) == {10.0}
    assert {scale for current, scale in links.plugged_in if current == 0.044} == {10.0, 0.4}
    assert twin.results().verdict == "pass", twin.results().reasons
    looked = [line["current"] for line in twin.record.of_kind("look")]
    assert sorted(looked) == [0.044, 0.23]
    prompts = [line["text"] for line in twin.record.of_kind("prompt")]
    assert sum("Prove dead" in text for text in prompts) == sum("Prove dead" in text for text in hands.prompts) > 0
    # To read that nothing flows no wiring is changed.
    assert {line["reference_scale"] for line in twin.record.of_kind("point") if line["name"] == "x1 zero"} == {10.0}


def test_an_appliance_left_on_a_higher_stage_meets_the_largest_range(tmp_path: Path) -> None:
    """5.9 A where 44 mA were asked for: read on 10 A, and the 400 mA range is never turned to."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1))
    twin = by(Hands(), inputs)
    links = Watched(twin.bench, lambda current: 5.9 if current == 0.044 else current)
    twin.links = links
    with pytest.raises(AbortedSafe, match="look at the wiring"):
        twin.run()
    assert links.plugged_in[-1] == (0.044, 10.0)
    assert not twin.bench.truth().load_on


@pytest.mark.parametrize("linked", [False, True])
def test_a_load_that_draws_more_than_a_part_withstands_ends_the_run(tmp_path: Path, linked: bool) -> None:
    """8.7 A are written on it and it draws 9.9 A, within what is forgiven of a label; beyond a conductor of 9.5 A it is not."""
    inputs = hand(tmp_path, "current_ratio", Options(readings=1))
    path = inputs.device.path.model_copy(update={"conductor": 9.5})
    inputs = replace(inputs, device=inputs.device.model_copy(update={"path": path}))
    twin = by(Hands(), wired(inputs) if linked else inputs)
    links = Watched(twin.bench, lambda current: 9.9 if current == 8.7 else current)
    twin.links = links
    with pytest.raises(
        AbortedSafe, match=r"A flows where 8.7 A was expected, and no more than 9.5 A may flow \(conductor\)"
    ):
        twin.run()
    assert links.plugged_in[-1][0] == 8.7
    assert not twin.bench.truth().load_on
    assert not any("8.7 A" in line["name"] for line in twin.record.of_kind("point"))


def test_a_load_on_a_link_is_first_read_there_too(tmp_path: Path) -> None:
    """A person reads the reference of a bench whose load is set over a link."""
    inputs = by_person(load_inputs(*new(tmp_path), "current_ratio", Options(readings=1, per_decade=1)), "multimeter")
    twin = by(Hands(), inputs)
    twin.run()
    scales = [line["scale"] for line in twin.record.of_kind("look")]
    assert scales == [inputs.bench.entry("reference").ranges[-1].full_scale]


def test_a_reference_on_a_link_takes_a_load_never_seen_on_its_largest_range(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It goes down by itself once the load has been read, and stands there when the same load comes again."""
    twin = by(Hands(), wired(hand(tmp_path, "current_ratio", Options(readings=1, per_decade=2))))
    stood: dict[float, list[float]] = {}
    configured, configure = [0.0], twin.bench.configure

    def noted(part: str, expected: float) -> None:
        configured.append(expected)
        configure(part, expected)

    monkeypatch.setattr(twin.bench, "configure", noted)

    class Standing(TwinLinks):
        def plug(self, current: float) -> None:
            stood.setdefault(current, []).append(configured[-1])
            super().plug(current)

    twin.links = Standing(twin.bench)
    twin.run()
    del stood[0.0]
    assert {scales[0] for scales in stood.values()} == {10.0}
    assert stood[0.044][-1] == 0.4


@procedure(title="Own", revision="1")
def twice(device: Device, options: Options) -> Steps:
    """Two points at one current, the load left on between them."""
    yield Select(device.ranges[0])
    yield Apply(0.3)
    yield Observe("first", 1, "single")
    yield Observe("second", 1, "single")
    yield Release()


@pytest.mark.parametrize(("cold", "warm"), [("0.320", "0.300"), ("0.302", "0.315")])
def test_no_range_of_a_multimeter_is_changed_while_its_load_is_on(tmp_path: Path, cold: str, warm: str) -> None:
    """A lamp draws another current when warm, which by itself would ask for another range: its jack is at line potential."""
    lamp = ('{ name = "two lamps", current = "0.46 A"', '{ name = "two lamps", current = "0.3 A"')
    inputs = replace(hand(tmp_path, "turns_check", Options(), lamp), procedure=twice)
    live: list[str] = []
    looks = iter([cold, *[warm] * 9])

    def slip(text: str, _: int, right: str) -> str | None:
        assert hands.twin is not None
        if "Set multimeter" in text and hands.twin.bench.truth().load_on:
            live.append(text)
        if "multimeter shows" in text and 0.25 < hands.twin.bench.read_reference() < 0.35:
            return next(looks)
        return None

    hands = Hands(slip)
    twin, _ = worked(inputs, hands)
    assert [line["name"] for line in twin.record.of_kind("point")] == ["first", "second"]
    assert not live
