"""What the server offers, as an OpenAPI 3.1 description."""

from __future__ import annotations

from typing import Any

from tickvision.deployment.decision import json_schema

_TEXT = {"type": "string"}


def describe(model: str, body_bytes: int) -> dict[str, Any]:
    """Return the OpenAPI document of a server of this model."""
    schema = json_schema()
    parts = schema.pop("$defs")
    schema.pop("$schema")
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "tickvision",
            "version": model,
            "description": "Names a specimen from its photographs, or refers it to a person and says why. A name from "
            "a photograph is not a diagnosis.",
        },
        "paths": {
            "/predict": {"post": _predict(body_bytes)},
            "/health": {"get": _get("The server answers.", "application/json", {"type": "object"})},
            "/metrics": {"get": _get("Counters in the Prometheus text form.", "text/plain", _TEXT)},
            "/openapi.json": {"get": _get("This description.", "application/json", {"type": "object"})},
        },
        "components": {"schemas": _moved({"Decision": schema, **parts, "Refusal": _REFUSAL})},
    }


_REFUSAL = {"type": "object", "properties": {"detail": _TEXT}, "required": ["detail"]}


def _get(summary: str, form: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"summary": summary, "responses": {"200": {"description": summary, "content": {form: {"schema": schema}}}}}


def _predict(body_bytes: int) -> dict[str, Any]:
    properties = {
        "photographs": {"type": "array", "minItems": 1, "items": {"type": "string", "format": "binary"}},
        "specimen_id": _TEXT,
        "removed_at": {"type": "string", "description": "when the tick was taken off, e.g. 2026-05-03T18:30"},
    }
    body = {"type": "object", "properties": properties, "required": ["photographs"]}
    refusals = {
        "400": "The body is no readable multipart.",
        "413": f"The body is longer than {body_bytes:,} bytes.",
        "415": "The body is no multipart/form-data.",
        "422": "A part is missing or wrong.",
        "429": "Too many requests wait; see Retry-After.",
    }
    return {
        "summary": "Decide on one specimen from its photographs.",
        "requestBody": {"required": True, "content": {"multipart/form-data": {"schema": body}}},
        "responses": {
            "200": {"description": "The decision.", "content": _content("Decision")},
            **{code: {"description": text, "content": _content("Refusal")} for code, text in refusals.items()},
        },
    }


def _content(name: str) -> dict[str, Any]:
    return {"application/json": {"schema": {"$ref": f"#/components/schemas/{name}"}}}


def _moved(value: Any) -> Any:
    """Return a schema with its references pointing into the components of the document."""
    if isinstance(value, dict):
        return {k: _moved(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_moved(v) for v in value]
    return value.replace("#/$defs/", "#/components/schemas/") if isinstance(value, str) else value
