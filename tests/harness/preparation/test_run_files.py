"""The text of a procedure that a record keeps the hash of."""

from pathlib import Path

from harness.preparation.run_files import find_procedure
from harness.steps import Procedure


def test_procedure_text_hash_covers_the_whole_file(tmp_path: Path) -> None:
    """A constant changed beside the generator is a change of the procedure."""
    text = (
        'from harness.steps import *\nF = 2.0\n\n\n@procedure(title="t", revision="1")\n'
        'def p(device, options):\n    """Doc."""\n    yield Select(device.ranges[0])\n'
    )
    file = tmp_path / "own.py"
    hashes = []
    for content in (text, text.replace("2.0", "40.0")):
        file.write_text(content, encoding="utf-8")
        found: Procedure = find_procedure(str(file))
        hashes.append(found.text_hash)
    assert hashes[0] != hashes[1]
