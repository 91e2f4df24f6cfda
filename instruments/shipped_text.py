"""Texts of files that come with the program."""

from importlib.resources import files


def shipped_text(package: str, name: str) -> str:
    """The text of a file that comes with the program, beside the modules of `package`.

    Raises ImportError where it cannot be read: a part of the installation is missing, and nobody wrote anything wrong.
    """
    try:
        return files(package).joinpath(name).read_text(encoding="utf-8")
    except OSError as failure:
        raise ImportError(
            f"{name} of {package} cannot be read: {failure.strerror}; install Ratioproof anew"
        ) from failure
