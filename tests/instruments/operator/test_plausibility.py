"""What a person types is doubted where it can hardly be."""

from instruments.operator.person import ConsolePerson
from instruments.operator.plausibility import Question


def test_a_power_factor_beyond_one_and_a_voltage_far_off_are_doubted() -> None:
    """A power factor is a cosine; mains are near their nominal voltage (IEC 60038)."""
    typed = ["195.5", "-2", "0.98"]
    shown: list[str] = []
    person = ConsolePerson(lambda _: typed.pop(0), shown.append)
    question = Question("monitor", "meter power_factor", 0.01, unit="", largest=1.0)
    assert person.read_value(question) == (0.98, "0.98")
    assert len([line for line in shown if "is not possible" in line]) == 2
    # A display under verification may really show it.
    typed[:] = ["1.02", "1.02"]
    assert person.read_value(question) == (1.02, "1.02")
    typed[:] = ["2", "230.1"]
    volts = Question("voltmeter", "voltage", 0.1, 230.0, unit="V")
    assert person.read_value(volts) == (230.1, "230.1")
    assert "far from" in shown[-1]
