"""The version of the program."""

from importlib.metadata import PackageNotFoundError, version

DISTRIBUTION = "ratioproof"


def software() -> str:
    """Name and version as they go into records and certificates."""
    try:
        return f"Ratioproof {version(DISTRIBUTION)}"
    except PackageNotFoundError:
        return "Ratioproof, from a source folder"
