"""The one caution that every result carries."""

CAUTION = (
    "A study tool, not operational conjunction assessment. Results rest on the stated models and assumptions. "
    "Limits must be checked against the current rules. Licensing decisions belong to the authority and to qualified "
    "engineers."
)
