"""A meter whose ranges have conductors and fuses of their own, and whose base range bypasses the range switch."""

from harness.commands.new import template

X1 = 'bypasses_switch = true\nconductor = "90 A"'
X4 = 'conductor = "22 A"\nfuse = "20 A"\nfuse_type = "gG"'
X20 = 'conductor = "5 A"\nfuse = "4.5 A"\nfuse_type = "T"'


def own_parts(x1: str = X1, x4: str = X4, x20: str = X20, switch: str = "25 A") -> str:
    """The template's device with three windings of their own, the keys added to each, and a small switch."""
    text = template("device.toml").replace('wiring = "series"', 'wiring = "independent"')
    text = text.replace('switch = "100 A"', f'switch = "{switch}"')
    for name, keys in (("x1", x1), ("x4", x4), ("x20", x20)):
        text = text.replace(f'name = "{name}"', f'name = "{name}"\n{keys}')
    return text
