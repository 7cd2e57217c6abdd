"""Is a record that was made from JSON of the kinds it says? pydantic would know, but takes longer than a cold start."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    Record = TypeVar("Record", bound=DataclassInstance)

_KINDS = {"str": (str,), "int": (int,), "float": (int, float), "bool": (bool,), "None": (type(None),)}


def typed(record: Record) -> Record:
    """Return the dataclass as it is. Raises TypeError if a field of text, number or truth value holds something else.

    Fields of other kinds are left alone. A whole number is a number, True is none.
    """
    for field in fields(record):
        names, value = str(field.type).split(" | "), getattr(record, field.name)
        if all(name in _KINDS for name in names):
            allowed = [kind for name in names for kind in _KINDS[name]]
            if not isinstance(value, tuple(allowed)) or (isinstance(value, bool) and bool not in allowed):
                raise TypeError(f"{field.name} is {value!r:.60}; expected {field.type}")
    return record
