"""Restart points as text: JSON that also holds arrays and bytes, exactly."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Any

import numpy as np


def to_text(plain: Mapping[str, object]) -> str:
    """Return plain values (numbers, text, lists, mappings, arrays, bytes) as JSON.

    Tuples come back as lists. Raises TypeError for anything else.
    """
    return json.dumps(plain, default=special)


def from_text(text: str) -> dict[str, Any]:
    """Return what `to_text` was given."""
    result: dict[str, Any] = json.loads(text, object_hook=_restored)
    return result


def special(value: object) -> object:
    """Return a value that JSON can hold in place of one that it cannot."""
    if isinstance(value, np.ndarray):
        body = base64.b64encode(np.ascontiguousarray(value).tobytes()).decode()
        return {"$array": body, "dtype": value.dtype.str, "shape": value.shape}
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, bytes):
        return {"$bytes": base64.b64encode(value).decode()}
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"a restart point cannot hold a {type(value).__name__}; give plain values")


def _restored(value: dict[str, Any]) -> object:
    if "$array" in value:
        flat = np.frombuffer(base64.b64decode(value["$array"]), value["dtype"])
        return flat.reshape(value["shape"]).copy()
    if "$bytes" in value:
        return base64.b64decode(value["$bytes"])
    return value
