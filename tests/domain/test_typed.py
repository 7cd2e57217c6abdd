"""typed is judged by pydantic's strict mode, which knows the same kinds (reference library)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from tickvision.domain.taxonomies import tick_taxonomy
from tickvision.domain.taxonomy import Taxonomy
from tickvision.domain.typed import typed
from tickvision.errors import DataError
from tickvision.images.prepare import Prepare


@dataclass
class Record:
    text: str
    whole: int
    number: float
    truth: bool
    limit: float | None
    other: list[str]


WHOLE = Record("a", 1, 1.5, True, None, [])
KINDS = {"text": str, "whole": int, "number": float, "truth": bool, "limit": float | None}
VALUES = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=3), st.lists(st.text()))


@pytest.mark.parametrize("name", KINDS)
@given(value=VALUES)
def test_it_accepts_what_pydantic_accepts(name: str, value: object) -> None:
    record = replace(WHOLE, **{name: value})  # type: ignore[arg-type]
    try:
        TypeAdapter(KINDS[name]).validate_python(value, strict=True)
    except ValidationError:
        with pytest.raises(TypeError, match=name):
            typed(record)
    else:
        assert typed(record) is record


def test_the_message_names_the_field_its_value_and_what_it_should_be() -> None:
    with pytest.raises(TypeError, match=r"limit is '0.5'; expected float \| None"):
        typed(replace(WHOLE, limit="0.5"))  # type: ignore[arg-type]


@pytest.mark.parametrize(("key", "value", "error"), [
    ("states", [["adult", "female"], ["adult", "female"]], DataError), ("states", [["adult", 1.0]], TypeError),
    ("kind", 3, TypeError), ("caps", [["Ixodes scapularis", "larva", "Ixodes", None]], TypeError),
    ("taxa", ["Ixodes scapularis", "Ixodes scapularis"], DataError),
])  # fmt: skip
def test_a_taxonomy_of_other_kinds_is_refused(key: str, value: object, error: type[Exception]) -> None:
    form = tick_taxonomy(["Ixodes scapularis", "Dermacentor variabilis"]).to_json()
    assert Taxonomy.from_json(form).to_json() == form
    with pytest.raises(error):
        Taxonomy.from_json(form | {key: value})


@pytest.mark.parametrize(("key", "value"), [
    ("mean", [0.5, 0.5]), ("std", [0.5, 0.0, 0.5]), ("size_px", 32.5), ("size_px", True), ("fit", "squeeze"),
])  # fmt: skip
def test_a_preparation_of_other_kinds_is_refused(key: str, value: object) -> None:
    assert Prepare.from_json(Prepare(32).to_json()) == Prepare(32)
    with pytest.raises((TypeError, ValueError)):
        Prepare.from_json(Prepare(32).to_json() | {key: value})
