"""Settings written as TOML (TOML 1.0); the standard library only reads it."""

import json
from collections.abc import Mapping


def toml_text(settings: Mapping[str, object]) -> str:
    """Return nested settings as TOML text; None values are left out.

    Parameters
    ----------
    settings
        Strings, booleans, numbers, lists of these, mappings of the same, and lists of
        mappings, which become arrays of tables.
    """
    return "\n".join(_table(settings, ())).strip() + "\n"


def _table(settings: Mapping[str, object], path: tuple[str, ...]) -> list[str]:
    values = {k: v for k, v in settings.items() if v is not None}
    plain = {k: v for k, v in values.items() if not _is_table(v)}
    lines = [f"{_key(k)} = {_value(v)}" for k, v in plain.items()]
    if path and (lines or not values):
        lines = ["", f"[{'.'.join(_key(part) for part in path)}]", *lines]
    for key, value in values.items():
        if isinstance(value, Mapping):
            lines += _table(value, (*path, key))
        elif _is_table(value):
            name = ".".join(_key(part) for part in (*path, key))
            for entry in value:
                # The header of the entry itself; tables inside it keep the whole path.
                inner = _table(entry, (*path, key))
                bare = [f"[{name}]"] == inner[1:2]
                lines += ["", f"[[{name}]]", *(inner[2:] if bare else inner)]
    return lines


def _is_table(value: object) -> bool:
    many = isinstance(value, list | tuple) and len(value) > 0
    return isinstance(value, Mapping) or (
        many and all(isinstance(entry, Mapping) for entry in value)
    )


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
