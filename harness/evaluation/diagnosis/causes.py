"""The causes a diagnosis knows: those of `causes.toml`, which a user's own file extends. Their keys are in `cause_schema`."""

from functools import cache, lru_cache

from harness.core.errors import UserError
from harness.evaluation.diagnosis.cause_schema import Catalogue, OwnCauses
from harness.files.loading import parse_file
from instruments.toml_file import read_shipped


@cache
def shipped_causes() -> Catalogue:
    """The catalogue that comes with the program."""
    return read_shipped(Catalogue, __package__, "causes.toml")


@lru_cache(maxsize=8)
def without(catalogue: Catalogue, *missing: str) -> Catalogue:
    """The causes there can be where what some of them need, one of `missing`, is not there."""
    kept = tuple(cause for cause in catalogue.causes if cause.needs not in missing)
    return catalogue.model_copy(update={"causes": kept})


def extended(text: str, name: str) -> Catalogue:
    """The shipped catalogue with the causes in a user's `text`; a cause of the same name takes the shipped one's place.

    `name` is the file named in problems; an empty text adds nothing. Raises UserError.
    """
    catalogue = shipped_causes()
    if not text:
        return catalogue
    own = parse_file(OwnCauses, text, name)
    known = {cause.name for cause in catalogue.causes}
    if unknown := [out for out in own.without if out not in known]:
        raise UserError([f"{name}: without: found {u!r}, expected one of {', '.join(sorted(known))}" for u in unknown])
    replaced = {cause.name for cause in own.causes} | set(own.without)
    kept = [cause for cause in catalogue.causes if cause.name not in replaced]
    said = {} if own.ordinary is None else {key: getattr(own.ordinary, key) for key in own.ordinary.model_fields_set}
    ordinary = catalogue.ordinary.model_copy(update=said)
    return catalogue.model_copy(update={"causes": (*kept, *own.causes), "ordinary": ordinary})
