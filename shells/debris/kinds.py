"""What a catalogue object is, told from its name, and how large it is assumed to be.

Element sets carry no type: only the naming habits of the public catalogue tell it. Where the name tells nothing, the
kind is "unknown" and nothing is guessed.
"""

from __future__ import annotations

import re

from shells.constants import Constant

#: Words of the public catalogue's names, by what they mean. A piece of a stage ("R/B DEB") is debris: it comes first.
_DEBRIS = ("DEB", "DEBRIS", "FRAGMENT", "COOLANT", "NEEDLES")
_ROCKET_BODY = ("R/B", "AKM", "PKM", "PLAT")  # stages, apogee and perigee kick motors, launch platforms
_UNKNOWN = ("TBA", "TBD", "UNKNOWN", "UNIDENTIFIED", "UNASSIGNED")
_LETTERED = re.compile(r"OBJECT [A-Z]{1,3}")

_ASSUMED = "assumed: order of magnitude of the kind, no source; a catalogue of element sets holds no sizes"

#: Radius of the sphere around an object of each kind.
HARD_BODY_RADII = {
    "payload": Constant(1.5, "m", _ASSUMED),
    "rocket body": Constant(3.0, "m", _ASSUMED),
    "debris": Constant(0.15, "m", _ASSUMED),
    "unknown": Constant(0.5, "m", _ASSUMED),
}


def kind_of_name(name: str) -> str:
    """Return what an object is, as far as its name tells.

    Parameters
    ----------
    name : str
        Name in the catalogue, possibly empty.

    Returns
    -------
    str
        "debris", "rocket body" or "unknown" by the words of the name (an empty name, "OBJECT A", "TBA - TO BE ASSIGNED"
        and their like are unknown); any other name is a "payload".
    """
    words = re.split(r"[^A-Z0-9/]+", name.upper().strip())
    if any(word in _DEBRIS for word in words) or "FUEL CORE" in name.upper():
        return "debris"
    if any(word in _ROCKET_BODY for word in words):
        return "rocket body"
    if words[0] == "" or words[0] in _UNKNOWN or _LETTERED.fullmatch(name.upper().strip()):
        return "unknown"
    return "payload"
