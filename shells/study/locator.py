"""Where each key of a TOML text stands: the line numbers that error messages name.

`tomllib` gives values without their places. The text is known to be valid TOML before it comes here, so a scan of
statements is enough: table headers, dotted and quoted keys, values over several lines. Keys inside an inline table are
not told apart; they stand on the line of their table.
"""

from __future__ import annotations

import re
from collections import Counter

_KEY = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")
_TOKEN = re.compile(r"""\"{3}|'{3}|"(?:[^"\\]|\\.)*"|'[^']*'|\#.*|[\[\]{}]""")


Keys = tuple[str | int, ...]


def key_lines(text: str) -> dict[Keys, int]:
    """Find the line of every table and key.

    Parameters
    ----------
    text : str
        Valid TOML.

    Returns
    -------
    dict
        Line number, from 1, by path of keys; of tables in a list by path with their position too. Of a table the line
        of its header, or of its first key.
    """
    lines: dict[Keys, int] = {}
    entries: Counter[Keys] = Counter()
    table: Keys = ()
    inside = _Value()
    for number, line in enumerate(text.splitlines(), start=1):
        if inside.is_open:
            inside.scan(line)
            continue
        statement = line.strip()
        if not statement or statement.startswith("#"):
            continue
        if statement.startswith("["):
            table, _ = _keys(statement.lstrip("["))
            lines.setdefault(table, number)
            if statement.startswith("[["):
                entries[table] += 1
                table += (entries[table] - 1,)
            path = table
        else:
            keys, end = _keys(line)
            path = table + keys
            inside.scan(line[end:])
        for length in range(1, len(path) + 1):
            lines.setdefault(path[:length], number)
    return lines


def line_of(lines: dict[Keys, int], path: Keys) -> int:
    """Return the line of a key, or of the innermost table that holds it; the last known line when none does.

    Parameters
    ----------
    lines : dict
        From `key_lines`.
    path : tuple of str or int
        Keys from the outermost table inwards; positions in lists of values are passed over.

    Returns
    -------
    int
        Line number, from 1.
    """
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return max(lines.values(), default=1)


def _keys(text: str) -> tuple[tuple[str, ...], int]:
    """Return the dotted key at the start of the text and where it ends."""
    keys: list[str] = []
    position = 0
    while match := _KEY.match(text, position):
        keys.append(next(group for group in match.groups() if group is not None))
        position = match.end()
        if not text.startswith(".", position):
            break
        position += 1
    return tuple(keys), position


class _Value:
    """What is still open of a value that runs over several lines: brackets and a long string."""

    def __init__(self) -> None:
        self.depth = 0
        self.quotes = ""

    @property
    def is_open(self) -> bool:
        """Whether the value goes on in the next line."""
        return self.depth > 0 or bool(self.quotes)

    def scan(self, line: str) -> None:
        """Take in one line of the value."""
        position = 0
        while position < len(line):
            if self.quotes:
                position = self._close(line, position)
                continue
            match = _TOKEN.search(line, position)
            if match is None:
                return
            position = match.end()
            self._take(match.group())

    def _take(self, token: str) -> None:
        if token in ('"""', "'''"):
            self.quotes = token
        elif token in "[{":
            self.depth += 1
        elif token in "]}":
            self.depth -= 1

    def _close(self, line: str, position: int) -> int:
        escape = r"(?:[^\\]|\\.)*?" if self.quotes == '"""' else ".*?"
        match = re.compile(escape + self.quotes).match(line, position)
        if match is None:
            return len(line)
        self.quotes = ""
        return match.end()
