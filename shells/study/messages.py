"""What is said of a faulty study file: every fault with file, line, key, what was found and what is allowed."""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from shells.study import locator

_EXPECTED = {
    "greater_than": "a number above {gt:g}",
    "greater_than_equal": "a number of at least {ge:g}",
    "less_than": "a number below {lt:g}",
    "less_than_equal": "a number of at most {le:g}",
    "finite_number": "a finite number",
    "float_type": "a number",
    "int_type": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "datetime_type": "a date and time such as 2031-04-01T00:00:00Z",
    "tuple_type": "a list in brackets",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "literal_error": "{expected}",
    "union_tag_invalid": "{expected_tags}",
    "string_pattern_mismatch": "letters, digits, - and _ only",
    "string_too_short": "text that is not empty",
    "too_short": "at least one entry",
}


def tuples(value: Any) -> Any:
    """Return a TOML value with every list as a tuple: what the frozen tables hold."""
    if isinstance(value, dict):
        return {key: tuples(entry) for key, entry in value.items()}
    return tuple(tuples(entry) for entry in value) if isinstance(value, list) else value


def syntax_message(path: Path, text: str, error: tomllib.TOMLDecodeError) -> str:
    """Return the message for text that is not TOML.

    Parameters
    ----------
    path : Path
        The file.
    text : str
        What it holds.
    error : TOMLDecodeError
        What the reader met.

    Returns
    -------
    str
        File, line and reason.
    """
    place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", str(error))
    reason = str(error)[: place.start()] if place else str(error)
    line = place.group(1) if place and place.group(1) else str(len(text.splitlines()))
    column = f", column {place.group(2)}" if place and place.group(2) else ""
    return (
        f"{path}, line {line}{column}: not valid TOML: {reason}. Mend this line; the other keys were not checked yet."
    )


def message(
    path: Path, error: ValidationError, raw: dict[str, Any], lines: dict[locator.Keys, int], model: type[BaseModel]
) -> str:
    """Return the message for a study file with faults.

    Parameters
    ----------
    path : Path
        The file.
    error : ValidationError
        What pydantic found.
    raw : dict
        The TOML values.
    lines : dict
        From `locator.key_lines`.
    model : type
        The model of the whole file.

    Returns
    -------
    str
        A head line and one line a fault, in the order of the file.
    """
    expected: dict[locator.Keys, list[str]] = {}
    whole: dict[locator.Keys, str] = {}
    for fault in error.errors(include_url=False):
        key = _path(raw, fault["loc"], fault["type"]) + _further_key(fault)
        if fault["type"] == "extra_forbidden":
            whole[key] = _unknown(key, raw, model)
        elif fault["type"] in ("missing", "union_tag_not_found"):
            whole[key] = "missing" + _meaning(key, raw, model, "; add it: ")
        else:
            expected.setdefault(key, []).append(_expected(fault))
    for key, wanted in expected.items():
        if any(other[: len(key)] == key for other in expected if other != key):
            continue  # a list that none of the alternatives takes: its faulty entry is named
        found = _shown(_value(raw, key))
        whole[key] = f"found {found}, expected {' or '.join(dict.fromkeys(wanted))}" + _meaning(key, raw, model, ": ")
    faults = sorted((locator.line_of(lines, key), _dotted(key), text) for key, text in whole.items())
    head = f"{path}: {len(faults)} fault{'s' if len(faults) > 1 else ''} in the study file"
    return head + ":\n" + "\n".join(f"  - {path}, line {line}: {key}: {text}" for line, key, text in faults)


def _path(raw: Any, loc: locator.Keys, kind: str) -> locator.Keys:
    """Return the keys of a pydantic location without the names of union members that it mixes in."""
    path: list[str | int] = []
    for position, part in enumerate(loc):
        inside = part in raw if isinstance(raw, dict) else isinstance(raw, list) and isinstance(part, int)
        if inside:
            raw = raw[part]
        if inside or (kind == "missing" and position == len(loc) - 1):
            path.append(part)
    return tuple(path)


def _further_key(fault: Any) -> locator.Keys:
    """Return the key inside a table that a fault of the whole table is about."""
    if fault["type"] in ("union_tag_not_found", "union_tag_invalid"):
        return ("source",)
    key = fault.get("ctx", {}).get("key")
    return (key,) if key else ()


def _expected(fault: Any) -> str:
    if fault["type"] in _EXPECTED:
        wanted = _EXPECTED[fault["type"]].format(**fault.get("ctx", {}))
        return wanted.replace("False", "false").replace("', '", "' or '")
    return str(fault["msg"])


def _unknown(key: locator.Keys, raw: dict[str, Any], model: type[BaseModel]) -> str:
    known = list(_holder(model, key, raw).model_fields)
    near = difflib.get_close_matches(str(key[-1]), known, n=1)
    hint = f"; did you mean '{near[0]}'?" if near else "."
    what = "table" if isinstance(_value(raw, key), dict) else "key"
    return f"unknown {what}{hint} Allowed here: {', '.join(known)}"


def _meaning(key: locator.Keys, raw: dict[str, Any], model: type[BaseModel], before: str) -> str:
    if len(key) == 1:
        documentation = (_table(model, str(key[0]), raw).__doc__ or "").rstrip(".")
        return f"{before}table [{key[0]}]: {documentation[0].lower()}{documentation[1:]}"
    names = [part for part in key if isinstance(part, str)]
    return f"{before}{_holder(model, key, raw).model_fields[names[-1]].description}"


def _holder(model: type[BaseModel], key: locator.Keys, raw: dict[str, Any]) -> type[BaseModel]:
    """Return the model of the table in which a key stands."""
    for name in [part for part in key if isinstance(part, str)][:-1]:
        model = _table(model, name, raw)
    return model


def _table(model: type[BaseModel], name: str, raw: dict[str, Any]) -> type[BaseModel]:
    """Return the model of a table; where several are possible, the one that its `source` names."""
    models = _models(model.model_fields[name].annotation)
    source = raw[name].get("source") if isinstance(raw.get(name), dict) else None
    fitting = [
        found for found in models if source in get_args(getattr(found.model_fields.get("source"), "annotation", None))
    ]
    return (fitting or models)[0]


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models(part)]


def _value(raw: Any, key: locator.Keys) -> Any:
    for part in key:
        raw = raw[part]
    return raw


def _shown(value: Any) -> str:
    text = str(value).lower() if isinstance(value, bool) else "a table" if isinstance(value, dict) else str(value)
    text = f"'{value}'" if isinstance(value, str) else text
    return text if len(text) <= 60 else text[:57] + "…"


def _dotted(key: locator.Keys) -> str:
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in key).lstrip(".")
