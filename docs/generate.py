"""Reference pages made from the code: keys of files from their models, commands from their parsers, and what is shipped.

The only module of the manual that imports the program. `write_all` is called by every build; nothing it writes is committed.
"""

from __future__ import annotations

import argparse
import ast
import datetime as dt
import inspect
import itertools
import re
import types
import typing
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from harness import steps
from harness.audit.line_kinds import KINDS, STEPS
from harness.command_line import parser
from harness.core.plausible_quantities import Plausible
from harness.core.quantities import EXAMPLES, format_quantity
from harness.evaluation.diagnosis.cause_schema import OwnCauses
from harness.evaluation.diagnosis.causes import shipped_causes
from harness.files.bench import Bench
from harness.files.device import Device
from harness.files.instrument_entry import InOwnUnit
from harness.safety.cautions import CAUTIONS, NOT_VERIFIED
from instruments.profile import SHIPPED, Profile, load_profile
from instruments.profile_tables import UNITS
from procedures.shipped_procedures import shipped_procedures
from simulated.bench_faults import CATALOGUE

LINE_KEYS = ("line", "kind", "at", "elapsed", "previous", "hash")
"""Keys of every line of a record."""


@dataclass(frozen=True)
class Found:
    """A table of a file: where it stands (`[transformer]`), its model, and the anchor of its section."""

    heading: str
    model: type[BaseModel]
    anchor: str


def write_all(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    pages = {
        "device-file": keys_of(Device, "device", ""),
        "bench-file": keys_of(Bench, "bench", ""),
        "profile": keys_of(Profile, "profile", "") + quantities(),
        "causes-file": keys_of(OwnCauses, "causes", ""),
        "record": record_lines(),
        "commands": commands(),
        "procedures": procedures(),
        "steps": step_words(),
        "profiles": profiles(),
        "causes": causes(),
        "faults": faults(),
        "cautions": cautions(),
    }
    for name, text in pages.items():
        (folder / f"{name}.md").write_text(text, encoding="utf-8")


def keys_of(model: type[BaseModel], file: str, heading: str) -> str:
    """Every table of a file whose whole content is `model`, with every key in it."""
    found = list(tables(model, file, heading))
    first: dict[type[BaseModel], str] = {}
    for table in found:
        first.setdefault(table.model, table.anchor)
    parts = []
    for table in found:
        if first[table.model] == table.anchor:
            title = f"## {table.heading}\n\n" if table.heading else ""
            parts.append(f"({table.anchor})=\n{title}" if title else "")
            parts.append(f"{description(table.model)}\n\n{key_table(table.model, first)}\n")
    return "\n".join(parts)


def tables(model: type[BaseModel], file: str, heading: str, path: str = "") -> Iterator[Found]:
    """The table of `model` and every table in it, in the order of their keys."""
    yield Found(heading, model, f"{file}-{path.lower().replace('.', '-').replace('_', '-') or 'file'}")
    for name, field in model.model_fields.items():
        for inner, several in inner_models(field.annotation):
            at = f"{path}.{name}".lstrip(".") + (".NAME" if several == "named" else "")
            yield from tables(inner, file, f"`[[{at}]]`" if several == "list" else f"`[{at}]`", at)


def inner_models(annotation: object) -> Iterator[tuple[type[BaseModel], str]]:
    """Models in a type, each with how many of them there may be: `one`, `list` or `named`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation, "one"
    origin = typing.get_origin(annotation)
    for argument in typing.get_args(annotation):
        for model, _ in inner_models(argument):
            yield model, {tuple: "list", list: "list", dict: "named"}.get(origin, "one")


def description(of: object) -> str:
    """The docstring of a class or function, as paragraphs. Raises ValueError where there is none."""
    if not of.__doc__:
        raise ValueError(f"{of} has no docstring")
    return inspect.cleandoc(of.__doc__)


def first_paragraph(of: object) -> str:
    return " ".join(description(of).split("\n\n")[0].split())


def key_table(model: type[BaseModel], anchors: Mapping[type[BaseModel], str]) -> str:
    """A row for each key of `model`. Raises ValueError when one has no text."""
    texts, rows = attribute_texts(model), []
    for name, field in model.model_fields.items():
        if name == "unit" and issubclass(model, InOwnUnit):
            continue
        if name not in texts:
            raise ValueError(f"{model.__name__}.{name} has no docstring")
        value = told(field.annotation, field.metadata, anchors)
        if issubclass(model, InOwnUnit) and field.annotation is float and not field.metadata:
            value = f'text with its unit, in A or V, such as `"{EXAMPLES["A"]}"`'
        rows.append((f"`{name}`", value, default(field), texts[name]))
    return table(("key", "value", "if left out", "meaning"), rows)


def attribute_texts(model: type) -> dict[str, str]:
    """The docstring below every attribute of a class and of those it is derived from."""
    texts: dict[str, str] = {}
    for parent in reversed(model.__mro__):
        if parent is object or parent is BaseModel or parent.__module__ == "builtins":
            continue
        (body,) = ast.parse(inspect.cleandoc("\n" + inspect.getsource(parent))).body
        assert isinstance(body, ast.ClassDef)
        for this, after in zip(body.body, body.body[1:], strict=False):
            if isinstance(this, ast.AnnAssign) and isinstance(this.target, ast.Name) and isinstance(after, ast.Expr):
                texts[this.target.id] = " ".join(str(ast.literal_eval(after.value)).split())
    return texts


def told(annotation: object, metadata: typing.Sequence[object], anchors: Mapping[type[BaseModel], str]) -> str:
    """The values allowed for a key, in words."""
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return told(arguments[0], [*arguments[1:], *metadata], anchors)
    if origin in (typing.Union, types.UnionType):
        return " or ".join(told(a, metadata, anchors) for a in arguments if a is not type(None))
    if quantity := quantity_of(metadata):
        return f'text with its unit, such as `"{EXAMPLES[quantity.unit]}"`; {quantity.span}' + bounds(metadata)
    if origin is typing.Literal:
        return ", ".join(f'`"{a}"`' if isinstance(a, str) else f"`{a}`" for a in arguments)
    if origin is tuple or origin is list:
        return f"list of: {told(arguments[0], (), anchors)}"
    if origin is dict:
        inner = told(arguments[1], (), anchors)
        return f"for each name: {inner}"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return f"[table](#{anchors[annotation]})" if annotation in anchors else "object"
    words = {str: "text", bool: "`true` or `false`", int: "whole number", float: "number", dt.date: "`2027-03-29`"}
    return words.get(typing.cast("type", annotation), getattr(annotation, "__name__", "value")) + bounds(metadata)


def quantity_of(metadata: typing.Sequence[object]) -> Plausible | None:
    """The annotation that reads a text with its unit, where a key has one."""
    functions = (getattr(m, "func", None) for m in metadata)
    return next((f for f in functions if isinstance(f, Plausible)), None)


def bounds(metadata: typing.Sequence[object]) -> str:
    """Bounds of a number, as `, above 0, at most 10`."""
    words = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
    found = ((said, getattr(m, key)) for m in metadata for key, said in words.items() if hasattr(m, key))
    return "".join(f", {said} {value:{',' if isinstance(value, int) else 'g'}}" for said, value in found)


def default(field: FieldInfo) -> str:
    """The value of a key that is left out, in words."""
    if field.is_required():
        return "required"
    value = field.default
    if value is PydanticUndefined or value is None or value in ("", ()) or isinstance(value, BaseModel):
        return "-"
    quantity = quantity_of(field.metadata)
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if quantity is not None:
        shown_as = f"{value * 100:g} %" if quantity.unit == "" else format_quantity(value, quantity.unit)
        return f"`{shown_as}`" if value else "0"
    if isinstance(value, float):
        return f"{value:g}" if value != float("inf") else "no bound"
    return f"`{value!r}`".replace("'", '"') if isinstance(value, str) else str(value)


def table(heads: typing.Sequence[str], rows: typing.Iterable[typing.Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines) + "\n"


def quantities() -> str:
    return "## Quantities\n\n" + table(("quantity", "unit"), ((f"`{name}`", unit) for name, unit in UNITS.items()))


def record_lines() -> str:
    kinds = {f"`{kind}`": model for kind, model in KINDS.items()} | {
        f"`step`, with `step` = `{step}`": model for step, model in STEPS.items()
    }
    rows = []
    for name, model in kinds.items():
        keys = ", ".join(f"`{key}`" for key in model.model_fields if key not in LINE_KEYS)
        rows.append((name, first_paragraph(model), keys or "-"))
    return table(("kind", "meaning", "keys"), rows)


def commands() -> str:
    """Every command: what it does, its arguments and options, and examples."""
    (choices,) = (a.choices for a in parser()._actions if isinstance(a, argparse._SubParsersAction))
    parts = []
    for name, command in choices.items():
        usage = " ".join(command.format_usage().removeprefix("usage:").split())
        examples = (command.epilog or "").partition("examples:\n")[2].partition("\n\n")[0]
        rows = [(shown(a), explained(a)) for a in command._actions if "--help" not in a.option_strings]
        parts.append(
            f"(command-{name})=\n## {name}\n\n{command.description}\n\n```text\n{usage}\n```\n\n"
            f"{table(('argument', 'meaning'), rows)}\nExamples:\n\n```text\n{inspect.cleandoc(examples)}\n```\n"
        )
    return "\n".join(parts)


def shown(action: argparse.Action) -> str:
    metavar = action.metavar or (action.dest.upper() if action.nargs != 0 else "")
    value = f" [{metavar}]" if action.nargs == "?" and action.option_strings else f" {metavar}" if metavar else ""
    return f"`{(', '.join(action.option_strings) + value).strip()}`"


def explained(action: argparse.Action) -> str:
    """The text of an argument, with its default written out."""
    return (action.help or "") % {"default": action.default}


def procedures() -> str:
    made = shipped_procedures().values()
    return table(("name", "title", "what it does"), ((f"`{p.name}`", p.title, first_paragraph(p.steps)) for p in made))


def step_words() -> str:
    """Every word a procedure is written in: steps, directions, inputs and aids."""
    of_steps = [step.__name__ for step in typing.get_args(steps.Step)]
    body = ast.parse(inspect.getsource(steps)).body
    own = (part.name for part in body if isinstance(part, ast.ClassDef | ast.FunctionDef))
    passed_on = (name.asname for part in body if isinstance(part, ast.ImportFrom) for name in part.names)
    rows = {}
    not_called = {"Device", "Procedure", "Range", "words_hash"}
    for name in sorted(n for n in {*own, *passed_on} - not_called if n and not n.startswith("_")):
        found = getattr(steps, name)
        taken = ", ".join(map(argument, inspect.signature(found).parameters.values()))
        rows[name] = f"`{name}({taken})`", " ".join(description(found).split())
    ((_, after),) = (pair for pair in itertools.pairwise(body) if ast.unparse(pair[0]).startswith("DIRECTIONS: "))
    assert isinstance(after, ast.Expr)
    return (
        table(("step", "what it asks for"), (rows[name] for name in of_steps))
        + f"\nDirections: {', '.join(f'`{d}`' for d in steps.DIRECTIONS)}. "
        + f"{' '.join(str(ast.literal_eval(after.value)).split())}\n\n"
        + table(("what comes in, and what helps", "meaning"), (rows[name] for name in rows if name not in of_steps))
    )


def argument(parameter: inspect.Parameter) -> str:
    """An argument with its default, where that can be written."""
    value = repr(parameter.default)
    return parameter.name if value.startswith("<") else f"{parameter.name}={value}"


def profiles() -> str:
    rows = []
    for file in sorted(SHIPPED.glob("*.toml")):
        profile = load_profile(file.stem)
        rows.append((f"`{file.stem}`", ", ".join((profile.role, *profile.also)), profile.title))
    return table(("profile", "function", "title"), rows)


def causes() -> str:
    rows = {(f"`{cause.name}`", braces(cause.text), braces(cause.look)) for cause in shipped_causes().causes}
    return table(("cause", "what is told", "where to look"), sorted(rows))


def braces(text: str) -> str:
    """`{range}` as *range*."""
    return re.sub(r"\{(\w+)[^}]*\}", r"*\1*", text)


def cautions() -> str:
    """The cautions of the program, as a list."""
    return "".join(f"- {text}\n" for text in (*CAUTIONS, NOT_VERIFIED))


def faults() -> str:
    return table(("fault", "what is wrong"), ((f"`{fault.name}`", fault.summary) for fault in CATALOGUE))
