"""The errors that `shells` raises: each says where, what was found, what was expected and how to mend it.

All faults of one input are collected by `Faults` and raised together, so that a user mends a file once, not fault by
fault.
"""

from __future__ import annotations

from typing import NoReturn


class ShellsError(ValueError):
    """Base of every error that the library raises on bad input."""


class SchemaError(ShellsError):
    """A Dataset does not meet its schema."""


class InputError(ShellsError):
    """Arguments of a public function are impossible or contradict each other."""


class ConfigError(ShellsError):
    """A study file cannot be used."""


class CatalogueError(ShellsError):
    """A catalogue file cannot be read."""


class StoreError(ShellsError):
    """A run directory cannot be used."""


class EngineError(ShellsError):
    """Workers cannot be had or were lost; what is done is kept."""


class Faults:
    """Faults of one input, collected and raised together.

    Parameters
    ----------
    where : str
        What was being checked: the head line of the message.
    error : type
        Which `ShellsError` to raise.
    """

    def __init__(self, where: str, error: type[ShellsError] = InputError):
        self.where = where
        self.error = error
        self.found: list[str] = []

    def add(self, fault: str) -> None:
        """Record one fault: what was found, what is allowed, how to mend it."""
        self.found.append(fault)

    def require(self, condition: bool, fault: str) -> None:
        """Record the fault unless the condition holds."""
        if not condition:
            self.add(fault)

    def raise_if_any(self) -> None:
        """Raise all recorded faults as one error; do nothing when there are none."""
        if self.found:
            self._raise()

    def _raise(self) -> NoReturn:
        raise self.error(f"{self.where}:\n" + "\n".join(f"  - {fault}" for fault in self.found))
