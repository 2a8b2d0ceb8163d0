"""Settings written as TOML (TOML 1.0); the standard library only reads it."""

import json
from collections.abc import Mapping


def toml_text(settings: Mapping[str, object]) -> str:
    """Return nested settings as TOML text; None values are left out.

    Parameters
    ----------
    settings
        Strings, booleans, numbers, lists of these, and mappings of the same.
    """
    return "\n".join(_table(settings, ())).strip() + "\n"


def _table(settings: Mapping[str, object], path: tuple[str, ...]) -> list[str]:
    values = {k: v for k, v in settings.items() if v is not None}
    plain = {k: v for k, v in values.items() if not isinstance(v, Mapping)}
    lines = [f"{_key(k)} = {_value(v)}" for k, v in plain.items()]
    if path and (lines or not values):
        lines = ["", f"[{'.'.join(_key(part) for part in path)}]", *lines]
    for key, value in values.items():
        if isinstance(value, Mapping):
            lines += _table(value, (*path, key))
    return lines


def _key(key: str) -> str:
    bare = key and all(c.isascii() and (c.isalnum() or c in "-_") for c in key)
    return key if bare else _text(key)


def _text(text: str) -> str:
    # As in JSON, but that TOML also wants the delete character escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(float(value))
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(entry) for entry in value) + "]"
    raise TypeError(f"{type(value).__name__} has no form in TOML")
