"""A class table that is malformed is refused with file and key, whoever edited it."""

from importlib.resources import files

import pytest

from harness.class_tables.accuracy_classes import AccuracyClasses
from harness.class_tables.power_classes import PowerClasses
from instruments.toml_file import FileProblems, FileTable, read_model

MALFORMED: dict[str, tuple[type[FileTable], str, str, str]] = {
    "currents that fall": (
        AccuracyClasses,
        "[[0.5, 0.03], [1.2, 0.03]]",
        "[[1.2, 0.03], [0.5, 0.03]]",
        "ratio_error.3: .*rise",
    ),
    "no limit at all": (AccuracyClasses, "[[0.5, 0.05], [1.2, 0.05]]", "[]", "ratio_error.5: "),
    "no source": (AccuracyClasses, "from_memory = false", "", "source.from_memory: found nothing"),
    "a misspelt key": (PowerClasses, "low = 0.05, between", "lower = 0.05, between", "limits.*lower: unknown key"),
    "a limit of nothing": (PowerClasses, "limit = 0.004", "limit = 0.0", "limit: found 0.0, expected"),
    "a band that ends before it begins": (
        PowerClasses,
        "low = 0.02, high = 0.05",
        "low = 0.05, high = 0.02",
        "low < high",
    ),
    "no power factor": (PowerClasses, "between = [0.5, -0.8], ", "", "expected one of them"),
    "an unknown class": (PowerClasses, '"EN 50470-3 C" = [', '"EN 50470-3 D" = [', "EN 50470-3 D"),
    "a standard without source": (
        PowerClasses,
        '"EN 50470-3" = {',
        '"EN 50470" = {',
        "sources: found none for EN 50470-3 A",
    ),
}


@pytest.mark.parametrize(("model", "stood", "stands", "told"), MALFORMED.values(), ids=MALFORMED)
def test_a_malformed_table_is_refused_by_file_and_key(
    model: type[FileTable], stood: str, stands: str, told: str
) -> None:
    name = "accuracy_classes.toml" if model is AccuracyClasses else "power_classes.toml"
    text = files("harness.class_tables").joinpath(name).read_text(encoding="utf-8")
    assert stood in text
    with pytest.raises(FileProblems, match=f"(?m)^{name}: .*{told}"):
        read_model(model, text.replace(stood, stands, 1), name)
